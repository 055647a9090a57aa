// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// Hold to run: each press has a number, and one that has ended moves nothing any more.

import { HOLD_EVERY, type FromPage, type Hold as Message } from './messages';

/** How far and which way, as `Hold` has it. */
export type Deflection = Partial<Omit<Message, 'kind' | 'press' | 'sequence' | 'seen'>>;

const REST = {
  forward: 0, left: 0, turn: 0, up: 0, roll: 0, pitch: 0, lean: false, level: false, fast: false,
};

export class Hold {
  private press = 0;
  private sequence = 0;
  private deflection: Deflection | null = null;
  private timer = 0;

  /**
   * `send` sends a message and tells whether it could, `seen` gives the instant of the latest frame
   * that was drawn, and `ended` is told why a press has ended.
   */
  constructor(
    private readonly send: (message: FromPage) => boolean,
    private readonly seen: () => number,
    private readonly ended: (why: string) => void,
  ) {
    window.addEventListener('blur', () => this.end('page not in front'));
    window.addEventListener('pagehide', () => this.end('page left'));
    document.addEventListener('visibilitychange', () => {
      if (document.hidden) this.end('page hidden');
    });
  }

  get held(): boolean {
    return this.deflection !== null;
  }

  start(deflection: Deflection): void {
    if (this.held) return;
    this.press += 1;
    this.deflection = deflection;
    this.timer = window.setInterval(() => this.say(), 1000 * HOLD_EVERY);
    this.say();
  }

  change(deflection: Deflection): void {
    if (!this.held) return;
    this.deflection = deflection;
    this.say();
  }

  end(why: string): void {
    if (!this.held) return;
    this.stop();
    this.send({ kind: 'let_go', press: this.press, why });
    this.ended(why);
  }

  /** The server has stopped all presses up to this one. */
  stopped(press: number, why: string): void {
    if (!this.held || this.press > press) return;
    this.stop();
    this.ended(why);
  }

  /** Numbers begin anew with every connection. */
  anew(): void {
    if (this.held) {
      this.stop();
      this.ended('connection lost');
    }
    this.press = this.sequence = 0;
  }

  private stop(): void {
    window.clearInterval(this.timer);
    this.deflection = null;
  }

  private say(): void {
    if (this.deflection === null) return;
    this.sequence += 1;
    const { press, sequence } = this;
    const seen = this.seen();
    if (!this.send({ ...REST, ...this.deflection, kind: 'hold', press, sequence, seen })) {
      this.stop();
      this.ended('connection lost');
    }
  }
}
