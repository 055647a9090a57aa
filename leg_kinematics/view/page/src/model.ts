// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// The robot as a tree of bodies that turn about their joints.

import {
  BoxGeometry, BufferGeometry, CircleGeometry, CylinderGeometry, DoubleSide, Group, Mesh,
  MeshBasicMaterial, MeshLambertMaterial, Object3D, RingGeometry, SphereGeometry, Vector3,
} from 'three';
import type { Robot } from './messages';
import { colour } from './theme';
import { readUrdf, type Origin, type Shape } from './urdf';

export class Model {
  /** Has the frame of `base_link`. */
  readonly base = new Group();
  /** Tips of the feet, leg by leg. */
  readonly feet: readonly Object3D[];
  /** How far the robot reaches around `base_link`, m, however it stands. */
  readonly reach: number;
  private readonly turning: readonly Turning[];
  /** One looks through it, at the centre of mass and at the feet behind it. */
  private readonly trunk = new MeshLambertMaterial({ transparent: true, opacity: 0.55 });
  private readonly limb = new MeshLambertMaterial();
  private readonly told = new MeshLambertMaterial();
  private readonly geometries = new Map<string, BufferGeometry>();
  private readonly meshesOfLegs: readonly Mesh[][];
  /** Shows the sense in which the joint turns that stands out. */
  private readonly sense = new Group();
  private readonly senseColour = new MeshBasicMaterial({ side: DoubleSide, depthTest: false, transparent: true });
  private readonly names: readonly string[];
  /** The joint that stands out; '' for none. */
  pointed = '';

  constructor(robot: Robot) {
    const urdf = readUrdf(robot.urdf);
    this.names = robot.joints.map(({ name }) => name);
    const links = new Map<string, Object3D>();
    for (const name of urdf.links.keys()) links.set(name, new Group());
    const link = (name: string): Object3D => {
      const found = links.get(name);
      if (found === undefined) throw new Error(`the URDF has no link '${name}'`);
      return found;
    };
    const turning = new Map<string, Turning>();
    const lengths = new Map<string, number>([['base_link', 0]]);
    for (const joint of urdf.joints) {
      const frame = new Group();
      place(frame, joint.origin);
      link(joint.parent).add(frame);
      frame.add(link(joint.child));
      lengths.set(joint.child, (lengths.get(joint.parent) ?? 0) + Math.hypot(...joint.origin.xyz));
      if (joint.turns) {
        turning.set(joint.name, { link: link(joint.child), axis: new Vector3(...joint.axis).normalize() });
      }
    }
    this.base.add(link('base_link'));
    this.turning = robot.joints.map(({ name }) => {
      const found = turning.get(name);
      if (found === undefined) throw new Error(`the URDF has no joint '${name}' that turns`);
      return found;
    });
    const legOf = new Map<string, number>();
    robot.legs.forEach(({ joints }, leg) => joints.forEach((joint) => {
      const name = robot.joints[joint]?.name;
      const child = urdf.joints.find((each) => each.name === name)?.child;
      if (child !== undefined) legOf.set(child, leg);
    }));
    this.meshesOfLegs = robot.legs.map(() => []);
    for (const [name, shapes] of urdf.links) {
      const leg = legOf.get(name);
      for (const shape of shapes) {
        const mesh = new Mesh(this.geometryOf(shape), leg === undefined ? this.trunk : this.limb);
        place(mesh, shape.origin);
        link(name).add(mesh);
        if (leg !== undefined) this.meshesOfLegs[leg]?.push(mesh);
      }
    }
    this.feet = robot.legs.map(({ name }) => link(`${name}_foot`));
    this.reach = Math.max(0.05, ...robot.legs.map(({ name }) => lengths.get(`${name}_foot`) ?? 0));
    this.drawSense();
    this.paint();
  }

  /** Turns the joints, rad, in the order of `Robot.joints`. */
  turn(angles: readonly number[]): void {
    this.turning.forEach(({ link, axis }, index) => {
      link.quaternion.setFromAxisAngle(axis, angles[index] ?? 0);
    });
  }

  /** Makes a leg stand out, of which something is told. */
  mark(leg: number, told: boolean): void {
    for (const mesh of this.meshesOfLegs[leg] ?? []) mesh.material = told ? this.told : this.limb;
  }

  /** Makes what a joint turns stand out, with an arrow the way that its angle grows. */
  point(name: string): void {
    this.turningOf(this.pointed)?.link.children.forEach((child) => paintWith(child, this.limb));
    this.sense.removeFromParent();
    this.pointed = name;
    const turning = this.turningOf(name);
    if (turning === undefined) return;
    turning.link.children.forEach((child) => paintWith(child, this.told));
    this.sense.quaternion.setFromUnitVectors(UP, turning.axis);
    turning.link.parent?.add(this.sense);
  }

  /** Takes the colours of the theme. */
  paint(): void {
    this.senseColour.color.set(colour('orange'));
    this.trunk.color.set(colour('trunk'));
    this.limb.color.set(colour('limb'));
    this.told.color.set(colour('vermilion'));
  }

  /** Gives back what the graphics card holds. */
  dispose(): void {
    for (const geometry of this.geometries.values()) geometry.dispose();
    for (const material of [this.trunk, this.limb, this.told, this.senseColour]) material.dispose();
  }

  private turningOf(name: string): Turning | undefined {
    return this.turning[this.names.indexOf(name)];
  }

  /** Makes three quarters of a ring about z, and a head at its end. */
  private drawSense(): void {
    const radius = this.reach * 0.16;
    const ring = new RingGeometry(radius * 0.9, radius * 1.1, 40, 1, 0, 1.5 * Math.PI);
    const head = new CircleGeometry(radius * 0.4, 3);
    this.geometries.set('ring', ring).set('head', head);
    const tip = new Mesh(head, this.senseColour);
    // The ring ends below its middle, on its way to the right.
    tip.position.set(radius * 0.12, -radius, 0);
    this.sense.add(new Mesh(ring, this.senseColour), tip);
    for (const mesh of this.sense.children) mesh.renderOrder = 1;
  }

  private geometryOf({ kind, size }: Shape): BufferGeometry {
    const key = [kind, ...size].join(' ');
    const known = this.geometries.get(key);
    if (known !== undefined) return known;
    const [a, b, c] = size;
    // A cylinder of three lies along y, one of a URDF along z.
    const geometry = kind === 'box' ? new BoxGeometry(a, b, c)
      : kind === 'sphere' ? new SphereGeometry(a, 14, 10)
      : new CylinderGeometry(a, a, b, 14).rotateX(Math.PI / 2);
    this.geometries.set(key, geometry);
    return geometry;
  }
}

interface Turning {
  readonly link: Object3D;
  readonly axis: Vector3;
}

const UP = new Vector3(0, 0, 1);

/** Gives the shapes of a link another colour; what turns on it keeps its own. */
function paintWith(child: Object3D, material: MeshLambertMaterial): void {
  if (child instanceof Mesh) child.material = material;
}

function place(object: Object3D, { xyz, rpy }: Origin): void {
  object.position.set(...xyz);
  object.rotation.set(...rpy, 'ZYX');
}
