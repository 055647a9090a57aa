// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// Flat shapes that change with every frame, in buffers that are made once.

import {
  BufferAttribute, BufferGeometry, DoubleSide, DynamicDrawUsage, Mesh, MeshBasicMaterial, Vector3,
} from 'three';

// Kept, since making them with every frame would keep the garbage collector busy.
const along = new Vector3();
const across = new Vector3();
const [from, to, left, right, farLeft, farRight] = [
  new Vector3(), new Vector3(), new Vector3(), new Vector3(), new Vector3(), new Vector3(),
] as const;

/** A piece of a band is two triangles. */
const CORNERS = 6;

/** Triangles in one colour, written anew each time; a buffer that is full takes no more. */
export class Flat {
  readonly mesh: Mesh<BufferGeometry, MeshBasicMaterial>;
  private readonly places: Float32Array;
  private readonly attribute: BufferAttribute;
  private used = 0;

  constructor(triangles: number, opacity = 1) {
    this.places = new Float32Array(9 * triangles);
    this.attribute = new BufferAttribute(this.places, 3).setUsage(DynamicDrawUsage);
    const geometry = new BufferGeometry().setAttribute('position', this.attribute);
    const material = new MeshBasicMaterial({
      side: DoubleSide, transparent: opacity < 1, opacity, depthWrite: opacity === 1,
    });
    this.mesh = new Mesh(geometry, material);
    this.mesh.frustumCulled = false;
  }

  clear(): void {
    this.used = 0;
  }

  triangle(a: Vector3, b: Vector3, c: Vector3): void {
    if (this.used + 9 > this.places.length) return;
    a.toArray(this.places, this.used);
    b.toArray(this.places, this.used + 3);
    c.toArray(this.places, this.used + 6);
    this.used += 9;
  }

  /** A band between two points, as wide as given, m, seen from along the normal. */
  band(start: Vector3, end: Vector3, width: number, normal: Vector3): void {
    along.subVectors(end, start);
    if (along.lengthSq() === 0) return;
    across.crossVectors(normal, along).setLength(width / 2);
    left.addVectors(start, across);
    right.subVectors(start, across);
    farLeft.addVectors(end, across);
    farRight.subVectors(end, across);
    this.triangle(left, right, farRight);
    this.triangle(left, farRight, farLeft);
  }

  /** The head of an arrow at `tip`, which points along the direction. */
  head(tip: Vector3, direction: Vector3, size: number, normal: Vector3): void {
    along.copy(direction).setLength(size);
    across.crossVectors(normal, along).setLength(size * 0.6);
    this.triangle(farLeft.addVectors(tip, along), left.addVectors(tip, across), right.subVectors(tip, across));
  }

  /** Shows what was written since `clear`. */
  done(): void {
    this.mesh.geometry.setDrawRange(0, this.used / 3);
    this.attribute.needsUpdate = true;
  }
}

/** Where several points have been lately, each a band that fades with age and faces the camera. */
export class Paths {
  readonly mesh: Mesh<BufferGeometry, MeshBasicMaterial>;
  private readonly history: Float32Array;
  private readonly places: Float32Array;
  private readonly attribute: BufferAttribute;
  private next = 0;
  private kept = 0;

  /** Of so many points the latest `length` places are kept; the bands are `width` wide, m. */
  constructor(private readonly points: number, private readonly length: number, private readonly width: number) {
    const pieces = points * (length - 1);
    this.history = new Float32Array(3 * points * length);
    this.places = new Float32Array(CORNERS * 3 * pieces);
    this.attribute = new BufferAttribute(this.places, 3).setUsage(DynamicDrawUsage);
    const shades = new Float32Array(CORNERS * 4 * pieces).fill(1);
    for (let corner = 0; corner < CORNERS * pieces; corner++) {
      shades[4 * corner + 3] = 1 - Math.floor(corner / (CORNERS * points)) / length;
    }
    const geometry = new BufferGeometry()
      .setAttribute('position', this.attribute)
      .setAttribute('color', new BufferAttribute(shades, 4));
    this.mesh = new Mesh(geometry, new MeshBasicMaterial({
      vertexColors: true, transparent: true, depthWrite: false, side: DoubleSide,
    }));
    this.mesh.frustumCulled = false;
    this.clear();
  }

  clear(): void {
    this.kept = 0;
    this.mesh.geometry.setDrawRange(0, 0);
  }

  /** Takes where the points are now, in the order of the points. */
  add(places: readonly Vector3[]): void {
    const { points, length, history } = this;
    places.forEach((place, point) => place.toArray(history, 3 * (points * this.next + point)));
    this.next = (this.next + 1) % length;
    this.kept = Math.min(this.kept + 1, length);
  }

  /** Writes the bands, the youngest piece first; `towards` points to the camera. */
  done(towards: Vector3): void {
    const { points, length, history, places, next } = this;
    let at = 0;
    for (let age = 0; age < this.kept - 1; age++) {
      const newer = 3 * points * ((next - 1 - age + 2 * length) % length);
      const older = 3 * points * ((next - 2 - age + 2 * length) % length);
      for (let point = 0; point < points; point++) {
        from.fromArray(history, older + 3 * point);
        to.fromArray(history, newer + 3 * point);
        across.crossVectors(towards, along.subVectors(to, from)).setLength(this.width / 2);
        left.addVectors(from, across);
        right.subVectors(from, across);
        farLeft.addVectors(to, across);
        farRight.subVectors(to, across);
        for (const corner of [left, right, farRight, left, farRight, farLeft]) {
          corner.toArray(places, at);
          at += 3;
        }
      }
    }
    this.mesh.geometry.setDrawRange(0, at / 3);
    this.attribute.needsUpdate = true;
  }
}
