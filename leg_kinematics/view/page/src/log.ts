// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// What has happened, the latest first.

import { byId, glyph, make } from './dom';
import type { Event } from './messages';
import { digits } from './units';

const KEPT = 100;

export function showEvents(events: readonly Event[]): void {
  const list = byId('event-list');
  for (const { at, who, level, words } of events) {
    const text = make('span', '', make('b', '', who), ` ${words}`);
    list.prepend(make('div', `event level-${level}`, glyph(level), make('time', '', `${digits(at, 1)} s`), text));
  }
  while (list.childElementCount > KEPT) list.lastElementChild?.remove();
}

export function forgetEvents(): void {
  byId('event-list').replaceChildren();
}
