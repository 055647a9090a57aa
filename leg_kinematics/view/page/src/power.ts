// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// The state of power, large: a word, a shape and a colour.

import { byId, write } from './dom';
import type { PowerState } from './messages';

/** Each shape is drawn in a square of 24; it differs from all others without any colour. */
const STATES: Record<PowerState | 'none', { words: string; meaning: string; shape: string }> = {
  following: {
    words: 'following',
    meaning: 'Every leg has its pulses; the joints follow what is sent.',
    shape: '<circle cx="12" cy="12" r="10.5"/>',
  },
  enabling: {
    words: 'enabling',
    meaning: 'Leg after leg gets its pulses, at rest.',
    shape:
      '<circle cx="12" cy="12" r="9.5" fill="none" stroke-width="2.5"/><path d="M12 4a8 8 0 0 1 0 16Z"/>',
  },
  holding: {
    words: 'holding',
    meaning: 'Servos that have pulses keep them; nothing is followed.',
    shape: '<path d="M3 3h6.500v18H3ZM14.5 3H21v18h-6.500Z"/>',
  },
  released: {
    words: 'released',
    meaning: 'All pulses are off until somebody rearms the bridge.',
    shape: '<path d="M8 2.500h8L21.5 8v8L16 21.500H8L2.5 16V8Z" fill="none" stroke-width="2.5"/>',
  },
  unpowered: {
    words: 'unpowered',
    meaning: 'No servo has had pulses, as far as is known.',
    shape: '<path d="M2 10h20v4H2Z"/>',
  },
  lost: {
    words: 'lost',
    meaning: 'A board with powered servos cannot be reached; nothing is followed.',
    shape: '<path d="M12 1.5 23 21.500H1ZM9 10l6 7m0-7-6 7" fill="none" stroke-width="2.5"/>',
  },
  none: {
    words: 'not heard',
    meaning: 'What the power is cannot be told.',
    shape:
      '<path d="M7 8.500a5 5 0 1 1 6.5 4.800c-1 .4-1.5 1-1.5 2.200M12 19v1" fill="none" stroke-width="3"/>',
  },
};

let shown: PowerState | 'none' | null = null;

export function showPower(power: PowerState | null): void {
  const key = power ?? 'none';
  if (key === shown) return;
  shown = key;
  const state = STATES[key];
  const element = byId('power');
  element.dataset['power'] = key;
  const shape = element.querySelector('svg');
  if (shape !== null) shape.innerHTML = state.shape;
  write(byId('power-state'), state.words);
  write(byId('power-meaning'), state.meaning);
}
