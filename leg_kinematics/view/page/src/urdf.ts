// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// What a URDF says of links and joints. Meshes are not read: nothing is fetched.

export type Triple = readonly [number, number, number];

export interface Origin {
  readonly xyz: Triple;
  readonly rpy: Triple;
}

export interface Shape {
  readonly origin: Origin;
  readonly kind: 'box' | 'cylinder' | 'sphere';
  /** Of a box its sides; of the others radius and, of a cylinder, length, m. */
  readonly size: Triple;
}

export interface JointOfUrdf {
  readonly name: string;
  readonly turns: boolean;
  readonly parent: string;
  readonly child: string;
  readonly origin: Origin;
  readonly axis: Triple;
}

export interface Urdf {
  readonly links: ReadonlyMap<string, readonly Shape[]>;
  readonly joints: readonly JointOfUrdf[];
}

export function readUrdf(text: string): Urdf {
  const document = new DOMParser().parseFromString(text, 'application/xml');
  if (document.querySelector('parsererror') !== null) throw new Error('the URDF is no XML');
  const links = new Map<string, Shape[]>();
  for (const link of document.querySelectorAll('robot > link')) {
    const shapes = [...link.querySelectorAll(':scope > visual')].flatMap((visual) => shapeOf(visual) ?? []);
    links.set(attribute(link, 'name'), shapes);
  }
  const joints = [...document.querySelectorAll('robot > joint')].map((joint) => ({
    name: attribute(joint, 'name'),
    turns: ['revolute', 'continuous'].includes(attribute(joint, 'type')),
    parent: attribute(child(joint, 'parent'), 'link'),
    child: attribute(child(joint, 'child'), 'link'),
    origin: originOf(joint),
    axis: triple(joint.querySelector(':scope > axis')?.getAttribute('xyz'), [1, 0, 0]),
  }));
  return { links, joints };
}

function shapeOf(visual: Element): Shape | null {
  const origin = originOf(visual);
  const element = visual.querySelector(':scope > geometry > *');
  const number = (name: string): number => Number(element?.getAttribute(name));
  switch (element?.tagName) {
    case 'box':
      return { origin, kind: 'box', size: triple(element.getAttribute('size'), [0, 0, 0]) };
    case 'cylinder':
      return { origin, kind: 'cylinder', size: [number('radius'), number('length'), 0] };
    case 'sphere':
      return { origin, kind: 'sphere', size: [number('radius'), 0, 0] };
    default:
      return null;
  }
}

function originOf(element: Element): Origin {
  const origin = element.querySelector(':scope > origin');
  return {
    xyz: triple(origin?.getAttribute('xyz'), [0, 0, 0]),
    rpy: triple(origin?.getAttribute('rpy'), [0, 0, 0]),
  };
}

function triple(text: string | null | undefined, otherwise: Triple): Triple {
  if (text == null) return otherwise;
  const [x, y, z] = text.trim().split(/\s+/).map(Number);
  if (x === undefined || y === undefined || z === undefined) {
    throw new Error(`the URDF has '${text}' where three numbers belong`);
  }
  return [x, y, z];
}

function child(element: Element, tag: string): Element {
  const found = element.querySelector(`:scope > ${tag}`);
  if (found === null) throw new Error(`a ${element.tagName} of the URDF has no ${tag}`);
  return found;
}

function attribute(element: Element, name: string): string {
  const value = element.getAttribute(name);
  if (value === null) throw new Error(`a ${element.tagName} of the URDF has no ${name}`);
  return value;
}
