// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// The numbers of how the robot stands and walks.

import { byId, make, write } from './dom';
import type { BoardStatus, Frame } from './messages';
import { degrees, digits, millimetres } from './units';

/** A margin below this stands out, m. */
const LITTLE_MARGIN = 0.01;

export class Motion {
  private readonly entries = new Map<string, { element: HTMLElement; value: HTMLElement }>();
  private supply: BoardStatus | undefined;

  constructor() {
    const list = byId('numbers');
    for (const name of [
      'Walks', 'Wanted', 'Turns', 'Wanted turn', 'Margin', 'Height of body', 'Farthest behind', 'Supply',
    ]) {
      const value = make('dd', '', '–');
      const element = make('div', '', make('dt', '', name), value);
      list.append(element);
      this.entries.set(name, { element, value });
    }
  }

  /** Remembers the board with the lowest supply. */
  boards(boards: readonly BoardStatus[]): void {
    this.supply = undefined;
    for (const board of boards) {
      if (board.supply === null) continue;
      if (this.supply === undefined || board.supply < (this.supply.supply ?? 0)) this.supply = board;
    }
  }

  write({ walked, wanted, balance, base, ground, lag }: Frame): void {
    const speed = (velocity: Frame['walked']): string =>
      velocity === null ? '–' : `${digits(Math.hypot(velocity.forward, velocity.left), 3)} m/s`;
    const turn = (velocity: Frame['walked']): string =>
      velocity === null ? '–' : `${digits(degrees(velocity.turn), 1)} °/s`;
    this.set('Walks', speed(walked));
    this.set('Wanted', speed(wanted));
    this.set('Turns', turn(walked));
    this.set('Wanted turn', turn(wanted));
    const margin = balance?.margin ?? null;
    this.set('Margin', margin === null ? '–' : `${digits(millimetres(margin), 0)} mm`,
      margin !== null && margin < LITTLE_MARGIN);
    const height = base === null ? null
      : ground === null ? base.position[2]
      : base.position.reduce((sum, place, axis) => {
        const along = ground.normal[axis] as number;
        return sum + (place - (ground.point[axis] as number)) * along;
      }, 0);
    this.set('Height of body', height === null ? '–' : `${digits(millimetres(height), 0)} mm`);
    this.set('Farthest behind', lag === null ? '–' : `${digits(degrees(lag), 1)}°`);
    const { supply } = this;
    this.set('Supply', supply?.supply == null ? '–' : `${digits(supply.supply, 2)} V`, supply?.low_voltage);
  }

  private set(name: string, text: string, bad = false): void {
    const entry = this.entries.get(name);
    if (entry === undefined) return;
    write(entry.value, text);
    entry.element.classList.toggle('bad', bad);
  }
}
