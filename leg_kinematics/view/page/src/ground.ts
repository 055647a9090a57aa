// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// The plane on which the robot believes to stand: a grid that fades and goes along with the robot.

import { BufferAttribute, BufferGeometry, LineBasicMaterial, LineSegments, Matrix4, Quaternion, Vector3 } from 'three';

/** From line to line, m. */
const CELL = 0.1;
const CELLS = 22;

const UP = new Vector3(0, 0, 1);

export class Ground {
  readonly lines: LineSegments<BufferGeometry, LineBasicMaterial>;
  private readonly turn = new Quaternion();
  private readonly back = new Quaternion();
  private readonly local = new Vector3();
  private readonly matrix = new Matrix4();

  constructor() {
    const places: number[] = [];
    const shades: number[] = [];
    const add = (x: number, y: number): void => {
      places.push(x * CELL, y * CELL, 0);
      shades.push(1, 1, 1, Math.max(0, 1 - Math.hypot(x, y) / CELLS) ** 1.5);
    };
    for (let line = -CELLS; line <= CELLS; line++) {
      for (let piece = -CELLS; piece < CELLS; piece++) {
        add(line, piece);
        add(line, piece + 1);
        add(piece, line);
        add(piece + 1, line);
      }
    }
    const geometry = new BufferGeometry()
      .setAttribute('position', new BufferAttribute(new Float32Array(places), 3))
      .setAttribute('color', new BufferAttribute(new Float32Array(shades), 4));
    this.lines = new LineSegments(geometry, new LineBasicMaterial({ vertexColors: true, transparent: true, depthWrite: false }));
    this.lines.frustumCulled = false;
    this.lines.matrixAutoUpdate = false;
  }

  /** Lays the grid into a plane; its middle is the crossing next to below the robot. */
  lay(point: Vector3, normal: Vector3, robot: Vector3): void {
    this.turn.setFromUnitVectors(UP, normal);
    this.back.copy(this.turn).invert();
    const height = this.local.copy(point).applyQuaternion(this.back).z;
    const { x, y } = this.local.copy(robot).applyQuaternion(this.back);
    this.local.set(Math.round(x / CELL) * CELL, Math.round(y / CELL) * CELL, height);
    this.local.applyQuaternion(this.turn);
    this.lines.matrix.copy(this.matrix.makeRotationFromQuaternion(this.turn).setPosition(this.local));
    this.lines.matrixWorldNeedsUpdate = true;
  }
}
