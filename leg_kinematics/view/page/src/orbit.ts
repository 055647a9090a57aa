// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// A camera that turns around the robot, by finger, mouse and keys.

import { PerspectiveCamera, Vector3 } from 'three';

const LOWEST = 0.08;
const HIGHEST = Math.PI / 2 - 0.02;
const START = { azimuth: -0.62, height: 0.72, distance: 2.05 };

export class Orbit {
  readonly camera = new PerspectiveCamera(38, 1, 0.01, 100);
  /** What is looked at. */
  readonly target = new Vector3();
  private azimuth = START.azimuth;
  private height = START.height;
  private distance = START.distance;
  private readonly fingers = new Map<number, { x: number; y: number }>();

  constructor(canvas: HTMLElement, private readonly changed: () => void) {
    this.camera.up.set(0, 0, 1);
    canvas.addEventListener('pointerdown', (event) => {
      canvas.setPointerCapture(event.pointerId);
      this.fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    });
    canvas.addEventListener('pointermove', (event) => this.drag(event));
    for (const end of ['pointerup', 'pointercancel', 'lostpointercapture'] as const) {
      canvas.addEventListener(end, (event) => this.fingers.delete(event.pointerId));
    }
    canvas.addEventListener('wheel', (event) => {
      event.preventDefault();
      this.zoom(Math.exp(event.deltaY * 0.001));
    }, { passive: false });
    canvas.addEventListener('dblclick', () => this.reset());
    canvas.addEventListener('keydown', (event) => {
      if (this.key(event.key)) event.preventDefault();
    });
  }

  /** Places the camera; `reach` is the size of what is seen, m. */
  place(reach: number): void {
    const { camera, target } = this;
    // A narrow picture needs more distance for the same robot.
    const far = reach * this.distance * Math.max(1, 0.95 / camera.aspect) * 1.45;
    camera.position.set(
      target.x + far * Math.cos(this.height) * Math.cos(this.azimuth),
      target.y + far * Math.cos(this.height) * Math.sin(this.azimuth),
      target.z + far * Math.sin(this.height),
    );
    camera.near = far / 50;
    camera.far = far * 20;
    camera.lookAt(target);
    camera.updateProjectionMatrix();
  }

  private drag(event: PointerEvent): void {
    const finger = this.fingers.get(event.pointerId);
    if (finger === undefined) return;
    const before = this.spread();
    const right = event.clientX - finger.x;
    const down = event.clientY - finger.y;
    finger.x = event.clientX;
    finger.y = event.clientY;
    if (this.fingers.size === 1) this.turn(-right * 0.008, down * 0.008);
    else if (before > 0) this.zoom(before / Math.max(1, this.spread()));
  }

  /** Distance of the first two fingers, px. */
  private spread(): number {
    const [one, other] = [...this.fingers.values()];
    return one === undefined || other === undefined ? 0 : Math.hypot(one.x - other.x, one.y - other.y);
  }

  private turn(azimuth: number, height: number): void {
    this.azimuth += azimuth;
    this.height = Math.min(HIGHEST, Math.max(LOWEST, this.height + height));
    this.changed();
  }

  private zoom(factor: number): void {
    this.distance = Math.min(8, Math.max(0.6, this.distance * factor));
    this.changed();
  }

  private reset(): void {
    Object.assign(this, START);
    this.changed();
  }

  private key(key: string): boolean {
    switch (key) {
      case 'ArrowLeft': this.turn(-0.1, 0); return true;
      case 'ArrowRight': this.turn(0.1, 0); return true;
      case 'ArrowUp': this.turn(0, 0.1); return true;
      case 'ArrowDown': this.turn(0, -0.1); return true;
      case '+': case '=': this.zoom(0.9); return true;
      case '-': this.zoom(1.1); return true;
      case 'Home': this.reset(); return true;
      default: return false;
    }
  }
}
