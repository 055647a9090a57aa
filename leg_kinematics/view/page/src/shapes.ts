// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// Flat shapes that change with every frame, in buffers that are made once.

import {
  BufferAttribute, BufferGeometry, DoubleSide, DynamicDrawUsage, LineBasicMaterial, LineSegments,
  Mesh, MeshBasicMaterial, Vector3,
} from 'three';

const along = new Vector3();
const across = new Vector3();

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
  band(from: Vector3, to: Vector3, width: number, normal: Vector3): void {
    along.subVectors(to, from);
    if (along.lengthSq() === 0) return;
    across.crossVectors(normal, along).setLength(width / 2);
    const corners = [
      from.clone().add(across), from.clone().sub(across), to.clone().sub(across), to.clone().add(across),
    ] as const;
    this.triangle(corners[0], corners[1], corners[2]);
    this.triangle(corners[0], corners[2], corners[3]);
  }

  /** The head of an arrow at `tip`, which points along the direction. */
  head(tip: Vector3, direction: Vector3, size: number, normal: Vector3): void {
    along.copy(direction).setLength(size);
    across.crossVectors(normal, along).setLength(size * 0.6);
    this.triangle(
      tip.clone().add(along), tip.clone().add(across), tip.clone().sub(across),
    );
  }

  /** Shows what was written since `clear`. */
  done(): void {
    this.mesh.geometry.setDrawRange(0, this.used / 3);
    this.attribute.needsUpdate = true;
  }
}

/** Where several points have been lately, each a line that fades with age. */
export class Paths {
  readonly lines: LineSegments<BufferGeometry, LineBasicMaterial>;
  private readonly history: Float32Array;
  private readonly places: Float32Array;
  private readonly attribute: BufferAttribute;
  private next = 0;
  private kept = 0;

  constructor(private readonly points: number, private readonly length: number) {
    this.history = new Float32Array(3 * points * length);
    this.places = new Float32Array(6 * points * (length - 1));
    this.attribute = new BufferAttribute(this.places, 3).setUsage(DynamicDrawUsage);
    const shades = new Float32Array(8 * points * (length - 1)).fill(1);
    for (let age = 0; age < length - 1; age++) {
      for (let end = 0; end < 2 * points; end++) shades[8 * points * age + 4 * end + 3] = 1 - age / length;
    }
    const geometry = new BufferGeometry()
      .setAttribute('position', this.attribute)
      .setAttribute('color', new BufferAttribute(shades, 4));
    this.lines = new LineSegments(
      geometry, new LineBasicMaterial({ vertexColors: true, transparent: true, depthWrite: false }),
    );
    this.lines.frustumCulled = false;
    this.clear();
  }

  clear(): void {
    this.kept = 0;
    this.lines.geometry.setDrawRange(0, 0);
  }

  /** Takes where the points are now, in the order of the points. */
  add(places: readonly Vector3[]): void {
    const { points, length, history } = this;
    places.forEach((place, point) => place.toArray(history, 3 * (points * this.next + point)));
    this.next = (this.next + 1) % length;
    this.kept = Math.min(this.kept + 1, length);
  }

  /** Writes the lines, the youngest piece first. */
  done(): void {
    const { points, length, history, places } = this;
    for (let age = 0; age < this.kept - 1; age++) {
      const newer = 3 * points * ((this.next - 1 - age + 2 * length) % length);
      const older = 3 * points * ((this.next - 2 - age + 2 * length) % length);
      for (let point = 0; point < points; point++) {
        const at = 6 * (points * age + point);
        for (let axis = 0; axis < 3; axis++) {
          places[at + axis] = history[newer + 3 * point + axis] as number;
          places[at + 3 + axis] = history[older + 3 * point + axis] as number;
        }
      }
    }
    this.lines.geometry.setDrawRange(0, Math.max(0, 2 * points * (this.kept - 1)));
    this.attribute.needsUpdate = true;
  }
}
