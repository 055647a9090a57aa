// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// Driving from the page: arm, then hold the stick; and release, which is always there.

import { byId, make, write } from './dom';
import { Hold, type Deflection } from './hold';
import type { Answered, Control, FromPage } from './messages';
import { spoken } from './units';

/** Nothing has answered an order for this long, ms: that is told. */
const NO_ANSWER_AFTER = 2000;

/** A finger that is this many radii away from the middle of the stick has slid away. */
const SLID_AWAY = 2.2;

interface Mode {
  readonly name: string;
  /** What the stick does, above, below, left and right. */
  readonly ways: readonly [string, string, string, string];
  /** Which deflection x to the right and y upwards mean, each −1 to 1. */
  readonly of: (x: number, y: number) => Deflection;
}

const MODES: readonly Mode[] = [
  { name: 'Walk', ways: ['forward', 'back', 'turn left', 'turn right'], of: (x, y) => ({ forward: y, turn: -x }) },
  { name: 'Side', ways: ['forward', 'back', 'left', 'right'], of: (x, y) => ({ forward: y, left: -x }) },
  { name: 'Tilt', ways: ['nose down', 'nose up', 'left down', 'right down'], of: (x, y) => ({ lean: true, pitch: y, roll: x }) },
  { name: 'Shift', ways: ['forward', 'back', 'left', 'right'], of: (x, y) => ({ lean: true, forward: y, left: -x }) },
  { name: 'Lift', ways: ['up', 'down', 'twist left', 'twist right'], of: (x, y) => ({ lean: true, up: y, turn: -x }) },
];

const KEYS: Readonly<Record<string, readonly [number, number]>> = {
  w: [0, 1], arrowup: [0, 1], s: [0, -1], arrowdown: [0, -1],
  a: [-1, 0], arrowleft: [-1, 0], d: [1, 0], arrowright: [1, 0],
};

export class Drive {
  private readonly stick = byId('stick');
  private readonly knob = byId('knob');
  private readonly words = byId('drive-words');
  private readonly stickWords = byId('stick-words');
  private readonly arm = byId<HTMLButtonElement>('arm');
  private readonly fast = byId<HTMLButtonElement>('fast');
  private readonly buttons = ['level', 'stand', 'crouch', 'fast'].map((id) => byId<HTMLButtonElement>(id));
  private readonly hold: Hold;
  private readonly pressed = new Set<string>();
  private mode = MODES[0] as Mode;
  private control: Control | null = null;
  private byKeys = false;
  private pointer: number | null = null;
  private waiting = 0;

  constructor(private readonly send: (message: FromPage) => boolean, seen: () => number) {
    this.hold = new Hold(send, seen, (why) => this.ended(why));
    this.addModes();
    this.listenToStick();
    this.listenToKeys();
    this.arm.addEventListener('click', (event) => {
      this.byKeys = event.detail === 0;
      this.send({ kind: this.control?.armed === true ? 'disarm' : 'arm' });
    });
    byId('release').addEventListener('click', () => this.order('release'));
    byId('stand').addEventListener('click', () => this.order('stand'));
    byId('crouch').addEventListener('click', () => this.order('crouch'));
    this.fast.addEventListener('click', () => this.fast.setAttribute('aria-pressed', String(!this.isFast)));
    this.listenToLevel();
    this.show();
  }

  take(control: Control): void {
    const before = this.control;
    this.control = control;
    if (!control.armed) this.hold.stopped(Infinity, control.words);
    this.hold.stopped(control.press, control.words);
    this.say(control.words, false);
    this.show();
    if (control.armed && before?.armed !== true && this.byKeys) this.stick.focus();
  }

  answered({ order, success, words }: Answered): void {
    window.clearTimeout(this.waiting);
    this.say(`${order}: ${words}`, !success);
  }

  /** The connection is gone: what was pressed has ended, and nobody is armed. */
  lost(): void {
    this.hold.anew();
    if (this.control === null) return;
    this.control = { ...this.control, armed: false, moving: false, press: 0 };
    this.say('No connection: nothing can be ordered. The robot stops by itself.', true);
    this.show();
  }

  private get armed(): boolean {
    return this.control?.armed === true;
  }

  private get isFast(): boolean {
    return this.fast.getAttribute('aria-pressed') === 'true';
  }

  private show(): void {
    const offered = this.control?.offered === true;
    byId('drive').hidden = byId('release').hidden = !offered;
    document.body.classList.toggle('driven', offered);
    this.arm.setAttribute('aria-pressed', String(this.armed));
    write(this.arm, this.armed ? 'Disarm' : 'Arm');
    this.stick.setAttribute('aria-disabled', String(!this.armed));
    for (const button of this.buttons) button.disabled = !this.armed;
  }

  private say(text: string, told: boolean): void {
    write(this.words, text);
    this.words.classList.toggle('told', told);
  }

  private order(order: 'stand' | 'crouch' | 'release'): void {
    this.hold.end(`${order} ordered`);
    window.clearTimeout(this.waiting);
    if (!this.send({ kind: 'order', order })) {
      this.say(`${order} was NOT sent: there is no connection. Switch the servos off by hand.`, true);
      return;
    }
    this.say(`${order}: sent`, false);
    this.waiting = window.setTimeout(() => {
      this.say(`${order}: no answer for ${NO_ANSWER_AFTER / 1000} s`, true);
    }, NO_ANSWER_AFTER);
  }

  // ---- the stick

  private addModes(): void {
    const modes = byId('modes');
    MODES.forEach((mode, index) => {
      const input = make('input', '');
      input.type = 'radio';
      input.name = 'mode';
      input.checked = index === 0;
      input.addEventListener('change', () => this.choose(mode));
      modes.append(make('label', '', input, mode.name));
    });
    this.choose(this.mode);
  }

  private choose(mode: Mode): void {
    this.hold.end('the stick moves something else now');
    this.mode = mode;
    ['up', 'down', 'left', 'right'].forEach((way, index) => {
      const element = this.stick.querySelector(`.${way}`);
      if (element !== null) write(element, mode.ways[index] as string);
    });
  }

  /** Begins or goes on with a deflection, x to the right and y upwards. */
  private deflect(x: number, y: number, sideways = 0): void {
    const way = this.mode.of(x, y);
    const deflection = { ...way, ...(sideways === 0 ? {} : { left: sideways }), fast: this.isFast };
    if (this.hold.held) this.hold.change(deflection);
    else this.hold.start(deflection);
    this.knob.classList.remove('back');
    this.knob.style.transform = `translate(${90 * x}%, ${-90 * y}%)`;
    this.stick.classList.add('held');
    write(this.stickWords, this.inWords(x, y, sideways));
  }

  private inWords(x: number, y: number, sideways: number): string {
    const { ways } = this.mode;
    const told = [
      y > 0.15 ? ways[0] : y < -0.15 ? ways[1] : '',
      x < -0.15 ? ways[2] : x > 0.15 ? ways[3] : '',
      sideways > 0 ? 'sideways left' : sideways < 0 ? 'sideways right' : '',
    ].filter((way) => way !== '');
    return told.length === 0 ? 'held, in the middle' : told.join(', ');
  }

  private ended(why: string): void {
    this.pointer = null;
    this.pressed.clear();
    this.knob.classList.add('back');
    this.knob.style.transform = '';
    this.stick.classList.remove('held');
    write(this.stickWords, `Stopped: ${spoken(why)}.`);
  }

  private listenToStick(): void {
    const { stick } = this;
    stick.addEventListener('pointerdown', (event) => {
      if (event.button !== 0 || this.pointer !== null) return;
      event.preventDefault();
      stick.focus({ preventScroll: true });
      if (!this.armed) {
        write(this.stickWords, 'Arm first.');
        return;
      }
      this.pointer = event.pointerId;
      stick.setPointerCapture(event.pointerId);
      this.follow(event);
    });
    stick.addEventListener('pointermove', (event) => {
      if (event.pointerId === this.pointer && this.hold.held) this.follow(event);
    });
    const ends = { pointerup: 'finger lifted', pointercancel: 'finger lost', lostpointercapture: 'finger lost' };
    for (const [type, why] of Object.entries(ends)) {
      stick.addEventListener(type, (event) => {
        if ((event as PointerEvent).pointerId !== this.pointer) return;
        this.pointer = null;
        this.hold.end(why);
      });
    }
    stick.addEventListener('contextmenu', (event) => event.preventDefault());
  }

  private follow(event: PointerEvent): void {
    const { left, top, width } = this.stick.getBoundingClientRect();
    const radius = width / 2;
    // The knob is half as far away as the rim when the deflection is full.
    const x = (event.clientX - left - radius) / radius;
    const y = -(event.clientY - top - radius) / radius;
    const away = Math.hypot(x, y);
    if (away > SLID_AWAY) {
      this.hold.end('finger slid away');
      return;
    }
    const share = Math.max(0.65, away);
    this.deflect(x / share, y / share);
  }

  // ---- keys

  private listenToKeys(): void {
    const { stick } = this;
    stick.addEventListener('keydown', (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey) return;
      const key = event.key.toLowerCase();
      if (KEYS[key] !== undefined || key === 'j' || key === 'l') {
        event.preventDefault();
        if (event.repeat || this.pointer !== null) return;
        if (!this.armed) {
          write(this.stickWords, 'Arm first.');
          return;
        }
        this.pressed.add(key);
        this.followKeys();
      } else if (!event.repeat && this.orderOf(key)) {
        event.preventDefault();
      }
    });
    stick.addEventListener('keyup', (event) => {
      if (!this.pressed.delete(event.key.toLowerCase())) return;
      if (this.pressed.size === 0) this.hold.end('key let go');
      else this.followKeys();
    });
    stick.addEventListener('blur', () => {
      if (this.pressed.size > 0) this.hold.end('stick left');
    });
    window.addEventListener('keydown', (event) => {
      if (event.key !== 'Escape') return;
      this.hold.end('escape pressed');
      if (this.armed) this.send({ kind: 'disarm' });
    });
  }

  private orderOf(key: string): boolean {
    switch (key) {
      case ' ': this.hold.end('space pressed'); return true;
      case 'x': this.order('release'); return true;
      case 'g': if (this.armed) this.order('stand'); return true;
      case 'c': if (this.armed) this.order('crouch'); return true;
      default: return false;
    }
  }

  private followKeys(): void {
    let x = 0;
    let y = 0;
    for (const key of this.pressed) {
      x += KEYS[key]?.[0] ?? 0;
      y += KEYS[key]?.[1] ?? 0;
    }
    const sideways = Number(this.pressed.has('j')) - Number(this.pressed.has('l'));
    const clip = (value: number): number => Math.max(-1, Math.min(1, value));
    this.deflect(clip(x), clip(y), sideways);
  }

  // ---- back to level, hold to run as well

  private listenToLevel(): void {
    const level = byId<HTMLButtonElement>('level');
    const start = (): void => {
      if (!this.armed || this.hold.held) return;
      this.hold.start({ lean: true, level: true });
      write(this.stickWords, 'going back to level');
    };
    level.addEventListener('pointerdown', (event) => {
      level.setPointerCapture(event.pointerId);
      start();
    });
    for (const type of ['pointerup', 'pointercancel', 'lostpointercapture', 'blur', 'keyup']) {
      level.addEventListener(type, () => {
        if (this.pointer === null && this.pressed.size === 0) this.hold.end('level let go');
      });
    }
    level.addEventListener('keydown', (event) => {
      if ((event.key === ' ' || event.key === 'Enter') && !event.repeat) start();
    });
  }
}
