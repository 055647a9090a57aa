// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// The robot in 3D, and what is known of how it stands and walks.

import {
  AmbientLight, Color, DirectionalLight, Group, HemisphereLight, Mesh, MeshBasicMaterial,
  Quaternion, RingGeometry, Scene, SphereGeometry, Vector3, WebGLRenderer,
} from 'three';
import { byId, make, write } from './dom';
import { Ground } from './ground';
import { FRAMES_A_SECOND, type Frame, type Robot, type Velocity } from './messages';
import { Model } from './model';
import { Orbit } from './orbit';
import { Flat, Paths } from './shapes';
import { colour } from './theme';
import { spoken } from './units';

/** Seconds of walking that an arrow shows. */
const ARROW_SECONDS = 1.2;

/** How far back paths go, s. */
const PATH_SECONDS = 3;

/** A leg of which something was told stands out for this long, ms. */
const MARKED_FOR = 4000;

/** In a picture narrower than this legs are named by their initials, px. */
const BRIEF_BELOW = 520;

/** Frames farther apart than this are no path, s. */
const LONGEST_STEP = 0.5;

const UP = new Vector3(0, 0, 1);

/** Everything that one robot needs, made when it comes and thrown away when another one does. */
class Shown {
  readonly model: Model;
  readonly paths: Paths;
  readonly support: Flat;
  readonly edge: Flat;
  readonly margin = new Flat(6);
  readonly wanted = new Flat(70);
  readonly walked = new Flat(70);
  readonly targets: readonly Mesh[];
  readonly contacts: readonly Mesh[];
  readonly mass: Mesh;
  readonly labels: readonly HTMLElement[];
  readonly inBase = new Group();
  readonly footPlaces: readonly Vector3[];
  readonly corners: readonly Vector3[];
  readonly safe = new Color();
  readonly unsafe = new Color();
  private readonly materials = {
    target: new MeshBasicMaterial(), contact: new MeshBasicMaterial({ transparent: true, opacity: 0.85 }),
    mass: new MeshBasicMaterial(),
  };
  private readonly geometries: { dispose(): void }[];

  constructor(readonly robot: Robot) {
    const legs = robot.legs.length;
    this.model = new Model(robot);
    const size = this.model.reach;
    this.paths = new Paths(legs, PATH_SECONDS * FRAMES_A_SECOND, size * 0.009);
    this.support = new Flat(Math.max(1, legs), 0.22);
    this.edge = new Flat(2 * legs + 2);
    const ring = new RingGeometry(size * 0.032, size * 0.045, 24);
    const disc = new RingGeometry(0, size * 0.028, 20);
    const ball = new SphereGeometry(size * 0.028, 14, 10);
    this.geometries = [ring, disc, ball];
    this.targets = robot.legs.map(() => new Mesh(ring, this.materials.target));
    this.contacts = robot.legs.map(() => new Mesh(disc, this.materials.contact));
    this.mass = new Mesh(ball, this.materials.mass);
    this.labels = robot.legs.map(() => make('span', ''));
    this.footPlaces = robot.legs.map(() => new Vector3());
    this.corners = robot.legs.map(() => new Vector3());
    this.inBase.add(
      this.support.mesh, this.edge.mesh, this.margin.mesh, this.wanted.mesh, this.walked.mesh,
      this.mass, ...this.targets, ...this.contacts,
    );
    this.model.base.add(this.inBase);
    this.paint();
  }

  paint(): void {
    this.model.paint();
    this.safe.set(colour('blue'));
    this.unsafe.set(colour('vermilion'));
    this.margin.mesh.material.color.set(colour('ink'));
    this.wanted.mesh.material.color.set(colour('orange'));
    this.walked.mesh.material.color.set(colour('green'));
    this.paths.mesh.material.color.set(colour('purple'));
    this.materials.target.color.set(colour('orange'));
    this.materials.contact.color.set(colour('ink'));
    this.materials.mass.color.set(colour('ink'));
  }

  dispose(): void {
    this.model.dispose();
    for (const { mesh } of [this.support, this.edge, this.margin, this.wanted, this.walked]) {
      mesh.geometry.dispose();
      mesh.material.dispose();
    }
    this.paths.mesh.geometry.dispose();
    this.paths.mesh.material.dispose();
    for (const each of [...this.geometries, ...Object.values(this.materials)]) each.dispose();
    for (const label of this.labels) label.remove();
  }
}

export class View {
  /** Instant of the frame that was drawn last, s; 0 before the first. */
  drawn = 0;
  /** Pictures drawn so far. */
  pictures = 0;
  private readonly canvas = byId<HTMLCanvasElement>('scene');
  private readonly names = byId('names');
  private readonly renderer: WebGLRenderer;
  private readonly scene = new Scene();
  private readonly ground = new Ground();
  private readonly orbit: Orbit;
  private readonly turnOfBase = new Quaternion();
  private readonly normal = new Vector3(0, 0, 1);
  private readonly point = new Vector3();
  private readonly one = new Vector3();
  private readonly other = new Vector3();
  private readonly towards = new Vector3();
  private readonly marked = new WeakMap<HTMLElement, number>();
  private kept: ReadonlySet<number> = new Set();
  private shown: Shown | null = null;
  private latest: Frame | null = null;
  private size = { width: 0, height: 0 };
  private dirty = true;

  constructor() {
    this.renderer = new WebGLRenderer({ canvas: this.canvas, antialias: true, powerPreference: 'low-power' });
    this.orbit = new Orbit(this.canvas, () => { this.dirty = true; });
    const sun = new DirectionalLight(0xffffff, 2.1);
    sun.position.set(0.4, -0.6, 1.4);
    this.scene.background = new Color();
    this.scene.add(this.ground.lines, new AmbientLight(0xffffff, 0.7), new HemisphereLight(0xffffff, 0x777766, 0.9), sun);
    // What the graphics card had is gone then, and it may be that nothing moves.
    this.canvas.addEventListener('webglcontextrestored', () => { this.dirty = true; });
    new ResizeObserver(() => this.fit()).observe(byId('stage'));
  }

  /** Shows another robot from now on. */
  show(robot: Robot): void {
    if (this.shown !== null) {
      this.scene.remove(this.shown.model.base, this.shown.paths.mesh);
      this.shown.dispose();
    }
    this.shown = new Shown(robot);
    this.scene.add(this.shown.model.base, this.shown.paths.mesh);
    this.names.replaceChildren(...this.shown.labels);
    this.latest = null;
    this.kept = new Set();
    this.dirty = true;
  }

  /** Takes a frame; it is drawn with the next picture. */
  take(frame: Frame): void {
    const { shown } = this;
    if (shown === null) return;
    const before = this.latest?.at ?? frame.at;
    this.latest = frame;
    this.dirty = true;
    if (frame.angles === null) return;
    shown.model.turn(frame.angles);
    this.placeBase(frame, shown);
    shown.model.base.updateMatrixWorld(true);
    shown.model.feet.forEach((foot, leg) => foot.getWorldPosition(shown.footPlaces[leg] as Vector3));
    if (frame.at < before || frame.at - before > LONGEST_STEP) shown.paths.clear();
    shown.paths.add(shown.footPlaces);
  }

  /** Makes a leg stand out for a while. */
  mark(leg: number): void {
    const { shown } = this;
    const label = shown?.labels[leg];
    if (shown === null || label === undefined) return;
    this.let(shown, leg, true);
    window.clearTimeout(this.marked.get(label));
    const end = (): void => this.let(shown, leg, shown === this.shown && this.kept.has(leg));
    this.marked.set(label, window.setTimeout(end, MARKED_FOR));
  }

  /** Makes these legs stand out, and no others, until others are told or another robot comes. */
  keepMarked(legs: ReadonlySet<number>): void {
    const { shown } = this;
    this.kept = legs;
    shown?.labels.forEach((_, leg) => this.let(shown, leg, legs.has(leg)));
  }

  /**
   * Makes a joint with its sense of turning, or a leg, stand out by its name; '' is neither. Tells
   * whether it is a joint.
   */
  pointAt(about: string): boolean {
    const { shown } = this;
    if (shown === null) return false;
    const joint = shown.robot.joints.some(({ name }) => name === about);
    if (shown.model.pointed === about) return joint;
    const leg = shown.robot.legs.findIndex(({ name }) => name === about);
    this.keepMarked(new Set(leg < 0 ? [] : [leg]));
    shown.model.point(about);
    this.dirty = true;
    return joint;
  }

  private let(shown: Shown, leg: number, standOut: boolean): void {
    shown.model.mark(leg, standOut);
    shown.labels[leg]?.classList.toggle('told', standOut);
    this.dirty = true;
  }

  /** Takes the colours of the theme. */
  paint(): void {
    (this.scene.background as Color).set(colour('sky-near'));
    this.ground.lines.material.color.set(colour('grid'));
    this.shown?.paint();
    this.dirty = true;
  }

  /** Draws, if anything has changed. */
  draw(): void {
    if (!this.dirty || this.size.width === 0) return;
    this.dirty = false;
    const { shown, latest } = this;
    if (shown !== null && latest !== null) {
      this.drawBalance(latest, shown);
      this.drawVelocity(shown.wanted, latest.wanted, shown.model.reach * 0.014, 0.004, shown);
      this.drawVelocity(shown.walked, latest.walked, shown.model.reach * 0.034, 0, shown);
      this.placeMarks(latest, shown);
      shown.paths.done(this.towards.subVectors(this.orbit.camera.position, this.orbit.target));
      this.orbit.target.copy(shown.model.base.position);
      this.drawn = latest.at;
    }
    this.orbit.place(shown?.model.reach ?? 0.4);
    this.renderer.render(this.scene, this.orbit.camera);
    if (shown !== null) this.placeLabels(shown);
    this.pictures += 1;
  }

  /** Shapes that the graphics card keeps. */
  get geometries(): number {
    return this.renderer.info.memory.geometries;
  }

  /** Tells where the scene has the feet, by leg, in `base_link`, m. */
  feet(): Record<string, number[]> {
    return this.inBase((shown, leg) => shown.model.feet[leg]?.getWorldPosition(new Vector3()));
  }

  /** Tells where the scene has the foot targets, by leg, in `base_link`, m. */
  footTargets(): Record<string, number[]> {
    return this.inBase((shown, leg) => shown.targets[leg]?.getWorldPosition(new Vector3()));
  }

  /** Tells where the scene has `base_link`, in `odom`, m. */
  base(): number[] | null {
    return this.shown?.model.base.position.toArray() ?? null;
  }

  private inBase(place: (shown: Shown, leg: number) => Vector3 | undefined): Record<string, number[]> {
    const { shown } = this;
    if (shown === null) return {};
    const entries = shown.robot.legs.map(({ name }, leg): [string, number[]] => {
      const world = place(shown, leg) ?? new Vector3(NaN, NaN, NaN);
      return [name, shown.model.base.worldToLocal(world).toArray()];
    });
    return Object.fromEntries(entries);
  }

  /** Puts the body where odometry has it or, without, so that the lowest foot is on the ground. */
  private placeBase(frame: Frame, { model }: Shown): void {
    const { base } = model;
    if (frame.base !== null) {
      base.position.set(...frame.base.position);
      base.quaternion.set(...frame.base.orientation);
    } else {
      base.position.set(0, 0, 0);
      base.quaternion.identity();
      base.updateMatrixWorld(true);
      base.position.z = -Math.min(...model.feet.map((foot) => foot.getWorldPosition(this.one).z));
    }
    if (frame.ground !== null) {
      this.point.set(...frame.ground.point);
      this.normal.set(...frame.ground.normal).normalize();
    } else {
      this.point.set(0, 0, 0);
      this.normal.copy(UP);
    }
    this.ground.lay(this.point, this.normal, base.position);
    this.turnOfBase.copy(base.quaternion).invert();
    this.normal.applyQuaternion(this.turnOfBase);
  }

  /** Support polygon, centre of mass and margin, in `base_link`. */
  private drawBalance({ balance }: Frame, shown: Shown): void {
    const { support, edge, margin, mass, corners, model } = shown;
    const { normal, one, other } = this;
    support.clear();
    edge.clear();
    margin.clear();
    mass.visible = balance !== null;
    if (balance !== null) {
      const width = model.reach * 0.014;
      const count = Math.min(corners.length, balance.support.length);
      for (let index = 0; index < count; index++) {
        corners[index]?.set(...(balance.support[index] as readonly [number, number, number]));
        corners[index]?.addScaledVector(normal, 0.002);
      }
      const corner = (index: number): Vector3 => corners[index % count] as Vector3;
      for (let index = 1; index < count - 1; index++) support.triangle(corner(0), corner(index), corner(index + 1));
      for (let index = 0; count > 1 && index < count; index++) edge.band(corner(index), corner(index + 1), width, normal);
      mass.position.set(...balance.centre_of_mass);
      if (count > 0) {
        // Along the ground's normal down to the polygon, and from there to its nearest edge.
        const below = one.copy(mass.position);
        below.addScaledVector(normal, other.subVectors(corner(0), below).dot(normal));
        margin.band(mass.position, below, width / 2, this.camera());
        let nearest: Vector3 | null = null;
        for (let index = 0; count > 1 && index < count; index++) {
          const candidate = nearestOf(corner(index), corner(index + 1), below);
          if (nearest === null || candidate.distanceTo(below) < nearest.distanceTo(below)) nearest = candidate;
        }
        if (nearest !== null) margin.band(below, nearest, width * 0.8, normal);
      }
      const bad = balance.margin !== null && balance.margin < 0;
      for (const flat of [support, edge]) flat.mesh.material.color.copy(bad ? shown.unsafe : shown.safe);
    }
    for (const flat of [support, edge, margin]) flat.done();
  }

  /** From the robot to the camera, in `base_link`. */
  private camera(): Vector3 {
    return this.towards.subVectors(this.orbit.camera.position, this.orbit.target).applyQuaternion(this.turnOfBase);
  }

  /** An arrow above the body for where it goes, and an arc for how it turns. */
  private drawVelocity(flat: Flat, velocity: Velocity | null, width: number, lift: number, shown: Shown): void {
    flat.clear();
    if (velocity !== null) {
      const size = shown.model.reach;
      const height = size * 0.3 + lift;
      const from = new Vector3(0, 0, height);
      const way = new Vector3(velocity.forward, velocity.left, 0);
      if (way.length() > 1e-3) {
        const to = from.clone().addScaledVector(way, ARROW_SECONDS);
        flat.band(from, to, width, UP);
        flat.head(to, way, width * 2.2, UP);
      }
      if (Math.abs(velocity.turn) > 5e-3) {
        const radius = size * 0.55;
        const end = Math.min(2.8, Math.max(-2.8, velocity.turn * ARROW_SECONDS));
        const at = (part: number): Vector3 =>
          new Vector3(radius * Math.cos(end * part), radius * Math.sin(end * part), height);
        for (let piece = 0; piece < 24; piece++) flat.band(at(piece / 24), at((piece + 1) / 24), width, UP);
        const direction = new Vector3(-Math.sin(end), Math.cos(end), 0).multiplyScalar(Math.sign(end));
        flat.head(at(1), direction, width * 2.2, UP);
      }
    }
    flat.done();
  }

  private placeMarks(frame: Frame, { targets, contacts, footPlaces, model }: Shown): void {
    const { normal } = this;
    targets.forEach((target, leg) => {
      const place = frame.foot_targets?.[leg];
      target.visible = place !== undefined;
      if (place === undefined) return;
      target.position.set(...place);
      target.quaternion.setFromUnitVectors(UP, this.camera().normalize());
    });
    contacts.forEach((contact, leg) => {
      contact.visible = frame.angles !== null && frame.standing?.[leg] === true;
      contact.position.copy(footPlaces[leg] as Vector3);
      model.base.worldToLocal(contact.position).addScaledVector(normal, 0.001);
      contact.quaternion.setFromUnitVectors(UP, normal);
    });
  }

  /** Names of the legs beside their feet. */
  private placeLabels({ robot, labels, footPlaces }: Shown): void {
    const brief = this.size.width < BRIEF_BELOW;
    labels.forEach((label, leg) => {
      const name = spoken(robot.legs[leg]?.name ?? '');
      write(label, brief ? name.replace(/(\w)\w*\s?/g, '$1').toUpperCase() : name);
      const { x, y, z } = this.one.copy(footPlaces[leg] as Vector3).project(this.orbit.camera);
      label.hidden = z > 1;
      const left = Math.round(((x + 1) / 2) * this.size.width);
      const top = Math.round(((1 - y) / 2) * this.size.height + 10);
      label.style.transform = `translate(calc(${left}px - 50%), ${top}px)`;
    });
  }

  private fit(): void {
    const { clientWidth: width, clientHeight: height } = byId('stage');
    this.size = { width, height };
    this.renderer.setPixelRatio(Math.min(2, window.devicePixelRatio));
    this.renderer.setSize(width, height, false);
    this.orbit.camera.aspect = width / Math.max(1, height);
    this.dirty = true;
    // Another size empties the canvas, and what it is observed for comes after the drawing of a
    // picture and before its showing: left to the next picture, this one would be blank.
    this.draw();
  }
}

/** Gives the point of a line that is nearest to a point. */
function nearestOf(from: Vector3, to: Vector3, point: Vector3): Vector3 {
  const line = to.clone().sub(from);
  const share = point.clone().sub(from).dot(line) / Math.max(1e-12, line.lengthSq());
  return line.multiplyScalar(Math.min(1, Math.max(0, share))).add(from);
}
