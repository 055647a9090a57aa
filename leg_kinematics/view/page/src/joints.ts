// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// Joint by joint: where it is between its limits, its angle and its pulse.

import { byId, make, write } from './dom';
import type { Frame, Joint, Robot } from './messages';
import { degrees, digits, spoken } from './units';

/** A joint as near to a limit as this stands out, rad: 3 degrees. */
const NEAR = 0.0524;

interface Row {
  readonly joint: Joint;
  readonly element: HTMLElement;
  readonly bar: HTMLElement;
  readonly needle: HTMLElement;
  readonly load: HTMLElement;
  readonly value: HTMLElement;
  readonly pulse: HTMLElement;
}

export class Joints {
  private rows: readonly Row[] = [];

  show(robot: Robot): void {
    const rows: Row[] = [];
    const groups = robot.legs.map((leg) => {
      const group = make('div', 'leg', make('h3', '', spoken(leg.name)));
      for (const index of leg.joints) {
        const joint = robot.joints[index];
        if (joint === undefined) continue;
        const row = rowOf(joint, joint.name.slice(leg.name.length + 1));
        rows[index] = row;
        group.append(row.element);
      }
      return group;
    });
    this.rows = rows;
    const mapped = robot.joints.some(({ lower_us: pulse }) => pulse !== null);
    byId('joint-rows').classList.toggle('unmapped', !mapped);
    byId('joint-rows').replaceChildren(...groups);
  }

  /** Moves the needles: many times a second. */
  move({ angles, loads }: Frame): void {
    let largest = 1e-9;
    for (const load of loads ?? []) largest = Math.max(largest, Math.abs(load));
    this.rows.forEach(({ joint, element, needle, load }, index) => {
      const angle = angles?.[index];
      needle.hidden = angle === undefined;
      if (angle === undefined) return;
      const share = (angle - joint.lower) / (joint.upper - joint.lower);
      needle.style.transform = `translateX(${(100 * Math.min(1, Math.max(0, share))).toFixed(2)}%)`;
      element.classList.toggle('near', angle - joint.lower < NEAR || joint.upper - angle < NEAR);
      load.style.transform = `scaleX(${((loads?.[index] ?? 0) / largest).toFixed(3)})`;
    });
  }

  /** Writes the numbers: as often as somebody can read them. */
  write({ angles, pulses_us: pulses, loads }: Frame): void {
    this.rows.forEach(({ joint, bar, value, pulse }, index) => {
      const angle = angles?.[index];
      const width = pulses?.[index];
      const load = loads?.[index];
      write(value, angle === undefined ? '–' : `${digits(degrees(angle), 1)}°`);
      write(pulse, width === undefined ? '–' : `${digits(width, 0)} µs`);
      const words = angle === undefined ? 'not heard'
        : `${digits(degrees(angle), 0)} of ${digits(degrees(joint.lower), 0)} to ` +
          `${digits(degrees(joint.upper), 0)} degrees` +
          (load === undefined ? '' : `, load ${digits(load, 2)} newton metres`);
      bar.setAttribute('aria-valuenow', String(angle ?? joint.lower));
      bar.setAttribute('aria-valuetext', words);
    });
  }
}

function rowOf(joint: Joint, short: string): Row {
  const needle = make('i', 'needle');
  const load = make('i', 'load');
  const zero = make('i', 'zero');
  zero.style.left = `${(100 * -joint.lower) / (joint.upper - joint.lower)}%`;
  const bar = make('div', 'bar', zero, load, needle);
  bar.setAttribute('role', 'meter');
  bar.setAttribute('aria-label', spoken(joint.name));
  bar.setAttribute('aria-valuemin', String(joint.lower));
  bar.setAttribute('aria-valuemax', String(joint.upper));
  bar.setAttribute('aria-valuenow', String(joint.lower));
  const pulses = joint.lower_us === null || joint.upper_us === null ? ''
    : `, ${digits(joint.lower_us, 0)} to ${digits(joint.upper_us, 0)} µs`;
  bar.title = `${digits(degrees(joint.lower), 0)}° to ${digits(degrees(joint.upper), 0)}°${pulses}`;
  const value = make('span', 'value', '–');
  const pulse = make('span', 'pulse', '–');
  const element = make('div', 'joint', make('span', 'name', short), bar, value, pulse);
  return { joint, element, bar, needle, load, value, pulse };
}
