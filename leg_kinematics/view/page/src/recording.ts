// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// The time line of a recording.

import { byId, make, write } from './dom';
import type { FromPage, Mark, Playback, Recording } from './messages';
import { digits } from './units';

const SPEEDS = [0.1, 0.25, 0.5, 1, 2, 4];

const PAUSE = '<svg aria-hidden="true" width="16" height="16" viewBox="0 0 16 16"><path fill="currentColor" d="M2 1h4v14H2zM10 1h4v14h-4z"/></svg>';
const PLAY = '<svg aria-hidden="true" width="16" height="16" viewBox="0 0 16 16"><path fill="currentColor" d="M2 1l13 7L2 15z"/></svg>';

export class TimeLine {
  private readonly seek = byId<HTMLInputElement>('seek');
  private readonly play = byId<HTMLButtonElement>('play');
  private readonly speed = byId<HTMLSelectElement>('speed');
  private marks: readonly Mark[] = [];
  private duration = 0;
  private playing = false;
  private at = 0;
  private dragged = false;

  constructor(private readonly send: (message: FromPage) => boolean) {
    for (const speed of SPEEDS) this.speed.append(new Option(`${speed}×`, String(speed)));
    this.speed.value = '1';
    this.seek.addEventListener('input', () => {
      this.dragged = true;
      this.go(Number(this.seek.value));
    });
    this.seek.addEventListener('change', () => { this.dragged = false; });
    this.play.addEventListener('click', () => this.tell(!this.playing));
    this.speed.addEventListener('change', () => this.tell(this.playing));
    byId('earlier').addEventListener('click', () => {
      this.go(this.marks.findLast(({ at }) => at < this.at - 0.5)?.at ?? 0);
    });
    byId('later').addEventListener('click', () => {
      this.go(this.marks.find(({ at }) => at > this.at + 0.05)?.at ?? this.duration);
    });
  }

  show({ name, duration, marks }: Recording): void {
    this.marks = marks;
    this.duration = duration;
    this.seek.max = String(duration);
    byId('recording').hidden = false;
    document.body.classList.add('recorded');
    byId('marks').replaceChildren(...marks.map(({ at, stop, words }) => {
      const mark = make('i', stop ? 'stop' : '');
      mark.style.left = `${(100 * at) / Math.max(duration, 1e-9)}%`;
      mark.title = words;
      return mark;
    }));
    byId('recording').setAttribute('aria-label', `Recording ${name}`);
    this.place(0);
  }

  playback({ playing, speed }: Playback): void {
    this.playing = playing;
    this.play.innerHTML = playing ? PAUSE : PLAY;
    this.play.setAttribute('aria-label', playing ? 'Pause' : 'Play');
    if (SPEEDS.includes(speed)) this.speed.value = String(speed);
  }

  /** Follows the frames, unless somebody drags. */
  place(at: number): void {
    this.at = at;
    if (!this.dragged) this.seek.value = String(at);
    const mark = this.marks.findLast((each) => each.at <= at + 0.05);
    const words = `${digits(at, 1)} of ${digits(this.duration, 1)} s`;
    this.seek.setAttribute('aria-valuetext', words);
    write(byId('instant'), mark === undefined ? words : `${words} · ${mark.words}`);
  }

  private go(at: number): void {
    this.send({ kind: 'seek', at });
  }

  private tell(playing: boolean): void {
    this.send({ kind: 'play', playing, speed: Number(this.speed.value) });
  }
}
