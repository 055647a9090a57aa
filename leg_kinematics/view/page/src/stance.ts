// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// The stance diagram, which scrolls: which foot was on the ground when, and the margin below it.

import { byId } from './dom';
import { FRAMES_A_SECOND, type Frame, type Robot } from './messages';
import { colour } from './theme';
import { digits, millimetres, spoken } from './units';

/** What is shown, s. */
const SPAN = 6;

/** Frames that are kept: enough for the span, also where a recording is played slowly. */
const KEPT = SPAN * FRAMES_A_SECOND * 4;

const FONT = '12px system-ui, "DejaVu Sans", sans-serif';

export class Stance {
  private readonly canvas = byId<HTMLCanvasElement>('stance-diagram');
  private readonly pen = this.canvas.getContext('2d') as CanvasRenderingContext2D;
  private readonly at = new Float64Array(KEPT);
  private readonly margins = new Float32Array(KEPT);
  private standing = new Uint8Array(0);
  private legs: readonly string[] = [];
  private next = 0;
  private kept = 0;
  private dirty = true;
  private colours = { stance: '', soft: '', line: '', bad: '', margin: '' };

  constructor() {
    new ResizeObserver(() => {
      const { clientWidth, clientHeight } = this.canvas;
      this.canvas.width = clientWidth * window.devicePixelRatio;
      this.canvas.height = clientHeight * window.devicePixelRatio;
      this.dirty = true;
      this.draw();
    }).observe(this.canvas);
  }

  show(robot: Robot): void {
    this.legs = robot.legs.map(({ name }) => spoken(name));
    this.standing = new Uint8Array(KEPT * this.legs.length);
    this.kept = 0;
    this.dirty = true;
  }

  take({ at, standing, balance }: Frame): void {
    if (this.kept > 0 && at < this.time(0)) this.kept = 0;
    this.at[this.next] = at;
    this.margins[this.next] = balance?.margin ?? NaN;
    this.legs.forEach((_, leg) => {
      this.standing[this.next * this.legs.length + leg] = standing?.[leg] === true ? 1 : 0;
    });
    this.next = (this.next + 1) % KEPT;
    this.kept = Math.min(this.kept + 1, KEPT);
    this.dirty = true;
  }

  /** Says in words what the picture shows, for who does not see it. */
  describe({ standing, balance }: Frame): void {
    const up = this.legs.filter((_, leg) => standing?.[leg] === false);
    const words = standing === null ? 'No feet are heard.'
      : `${this.legs.length - up.length} of ${this.legs.length} feet on the ground` +
        (up.length > 0 ? `; in the air: ${up.join(', ')}` : '') +
        (balance?.margin == null ? '.' : `; margin ${digits(millimetres(balance.margin), 0)} mm.`);
    this.canvas.setAttribute('aria-label', words);
  }

  paint(): void {
    this.colours = {
      stance: colour('blue'), soft: colour('soft'), line: colour('line'), bad: colour('vermilion'),
      margin: colour('ink'),
    };
    this.dirty = true;
  }

  draw(): void {
    if (!this.dirty || this.canvas.width === 0) return;
    this.dirty = false;
    const { pen, canvas, legs, colours } = this;
    const { clientWidth: width, clientHeight: height } = canvas;
    pen.setTransform(window.devicePixelRatio, 0, 0, window.devicePixelRatio, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = FONT;
    const left = Math.max(48, ...legs.map((leg) => pen.measureText(leg).width)) + 10;
    const strip = Math.max(44, height * 0.28);
    const row = (height - strip - 18) / Math.max(1, legs.length);
    const now = this.kept > 0 ? this.time(0) : 0;
    const x = (at: number): number => left + (width - left) * (1 - (now - at) / SPAN);

    // Seconds.
    pen.lineWidth = 1;
    pen.textAlign = 'center';
    for (let second = Math.ceil(now - SPAN); second <= now; second++) {
      const place = Math.round(x(second)) + 0.5;
      if (place < left) continue;
      pen.strokeStyle = colours.line;
      pen.beginPath();
      pen.moveTo(place, 0);
      pen.lineTo(place, height - 16);
      pen.stroke();
      pen.fillStyle = colours.soft;
      if (place > left + 8 && place < width - 12) pen.fillText(`${second} s`, place, height - 3);
    }

    // Legs: a bar while the foot is on the ground.
    pen.textAlign = 'left';
    pen.textBaseline = 'middle';
    legs.forEach((leg, index) => {
      const middle = row * (index + 0.5);
      pen.fillStyle = colours.soft;
      pen.fillText(leg, 0, middle);
      pen.fillStyle = colours.stance;
      const thick = Math.min(14, row * 0.66);
      let end = -1;
      for (let back = 0; back <= this.kept; back++) {
        const stands = back < this.kept && now - this.time(back) <= SPAN && this.stood(back, index);
        if (stands && end < 0) end = back;
        if (!stands && end >= 0) {
          const from = x(this.time(back - 1));
          pen.fillRect(from, middle - thick / 2, Math.max(1, x(this.time(end)) - from + 1), thick);
          end = -1;
        }
        if (back < this.kept && now - this.time(back) > SPAN) break;
      }
    });
    this.drawMargin(height - 16 - strip, strip, left, width, now, x);
    pen.textBaseline = 'alphabetic';
  }

  private drawMargin(
    top: number, strip: number, left: number, width: number, now: number, x: (at: number) => number,
  ): void {
    const { pen, colours } = this;
    let most = 0.02;
    let least = 0;
    for (let back = 0; back < this.kept && now - this.time(back) <= SPAN; back++) {
      const margin = this.margin(back);
      if (margin > most) most = margin;
      if (margin < least) least = margin;
    }
    const y = (margin: number): number => top + 8 + (strip - 12) * (1 - (margin - least) / (most - least));
    pen.fillStyle = colours.soft;
    pen.textAlign = 'right';
    pen.fillText(digits(millimetres(most), 0), left - 6, y(most) + 2);
    pen.fillText('0', left - 6, y(0) - 1);
    pen.textAlign = 'left';
    pen.fillText('margin', 0, (y(most) + y(0)) / 2);
    pen.strokeStyle = colours.soft;
    pen.beginPath();
    pen.moveTo(left, Math.round(y(0)) + 0.5);
    pen.lineTo(width, Math.round(y(0)) + 0.5);
    pen.stroke();
    pen.lineWidth = 2;
    for (const bad of [false, true]) {
      pen.strokeStyle = bad ? colours.bad : colours.margin;
      pen.beginPath();
      for (let back = 0; back + 1 < this.kept && now - this.time(back + 1) <= SPAN; back++) {
        const here = this.margin(back);
        const before = this.margin(back + 1);
        if (Number.isNaN(here) || Number.isNaN(before) || here < 0 !== bad) continue;
        pen.moveTo(x(this.time(back + 1)), y(before));
        pen.lineTo(x(this.time(back)), y(here));
      }
      pen.stroke();
    }
  }

  private slot(back: number): number {
    return (this.next - 1 - back + 2 * KEPT) % KEPT;
  }

  private time(back: number): number {
    return this.at[this.slot(back)] as number;
  }

  private margin(back: number): number {
    return this.margins[this.slot(back)] as number;
  }

  private stood(back: number, leg: number): boolean {
    return this.standing[this.slot(back) * this.legs.length + leg] === 1;
  }
}
