// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// How nodes, boards and topics are.

import { byId, glyph, make } from './dom';
import type { BoardStatus, NodeStatus, Statuses, TopicStatus } from './messages';
import { digits, spoken } from './units';

/** A topic that is silent for longer than this stands out, s. */
const LONG_SILENCE = 1.5;

export function showHealth({ nodes, boards, topics }: Statuses): void {
  byId('nodes').replaceChildren(make('ul', '', ...nodes.map(nodeOf)));
  byId('boards').replaceChildren(make('ul', '', ...boards.map(boardOf)));
  byId('topics').replaceChildren(tableOf(topics));
}

function nodeOf({ name, level, state, words }: NodeStatus): HTMLElement {
  const rest = words.startsWith(state) ? words.slice(state.length).replace(/^[:\s]+/, '') : words;
  const text = make('div', '', make('b', '', name), ` ${state} `, make('span', 'words', rest));
  return make('li', `level-${level}`, glyph(level), text);
}

function boardOf({ name, state, supply, low_voltage: low, counters }: BoardStatus): HTMLElement {
  const counted = Object.entries(counters).map(([what, count]) => `${spoken(what)} ${count}`);
  const level = low ? 2 : 0;
  const text = make(
    'div', '', make('b', '', name), ` ${state}`,
    supply === null ? '' : `, ${digits(supply, 2)} V${low ? ', too low' : ''} `,
    make('span', 'words', counted.join(', ')),
  );
  return make('li', `level-${level}`, glyph(level), text);
}

function tableOf(topics: readonly TopicStatus[]): HTMLElement {
  const head = make('tr', '', ...['topic', 'per second', 'latency', 'lost'].map((name) => {
    const cell = make('th', '', name);
    cell.scope = 'col';
    return cell;
  }));
  const rows = topics.map(({ name, rate, latency, lost, silent }) => {
    const quiet = silent === null || silent > LONG_SILENCE;
    const told = silent === null ? 'never heard' : quiet ? `silent ${digits(silent, 0)} s` : digits(rate, rate < 10 ? 1 : 0);
    const late = latency === null ? '–' : `${digits(1000 * latency, 1)} ms`;
    return make('tr', quiet ? 'silent' : '', ...[name, told, late, String(lost)].map((text) => make('td', '', text)));
  });
  return make('table', '', make('thead', '', head), make('tbody', '', ...rows));
}
