// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// Questions at the bench: what is asked, the answers, and pulses off, which is always there.

import { byId, make, write } from './dom';
import { LEADING_EVERY, type Asked, type FromPage, type Lead, type Offered } from './messages';
import { spoken } from './units';

/** What a keyboard calls the keys of answers. */
const KEYS: Readonly<Record<string, string>> = {
  Enter: 'enter', ArrowUp: 'w', ArrowDown: 's', ' ': 'x', Escape: 'x',
};

/** How the keys of answers are shown, where not as they are. */
const SHOWN: Readonly<Record<string, string>> = { enter: '⏎' };

/** The answer that takes the pulses off has a button of its own. */
const OFF = 'x';

export class Bench {
  private readonly typed = byId<HTMLInputElement>('bench-typed');
  private asked: Asked | null = null;
  private leading = false;
  private offered = '';

  /**
   * `send` sends a message; `point` is told the joint or leg that shall stand out, or '', and tells
   * whether that is a joint.
   */
  constructor(
    private readonly send: (message: FromPage) => boolean,
    private readonly point: (about: string) => boolean,
  ) {
    byId('off').addEventListener('click', () => this.send({ kind: 'off' }));
    byId('lead').addEventListener('click', () => this.send({ kind: this.leading ? 'leave_lead' : 'take_lead' }));
    byId('bench-enter').addEventListener('click', () => this.enter());
    window.addEventListener('keydown', (event) => this.press(event));
    window.setInterval(() => {
      if (this.leading && !document.hidden) this.send({ kind: 'leading' });
    }, 1000 * LEADING_EVERY);
    window.addEventListener('pagehide', () => this.leave());
    document.addEventListener('visibilitychange', () => {
      if (document.hidden) this.leave();
    });
  }

  take(message: Asked | Lead): void {
    document.body.classList.add('benched');
    for (const id of ['bench', 'bench-state', 'off']) byId(id).hidden = false;
    if (message.kind === 'lead') this.lead(message);
    else this.show(message);
  }

  /** Nothing is said to the server for now, and it lets nobody lead who is gone. */
  lost(): void {
    if (this.asked === null) return;
    this.lead({ kind: 'lead', leading: false, free: false, words: 'The connection is lost: what is asked now is not known here.' });
  }

  private lead({ leading, free, words }: Lead): void {
    // Keys are for the answers then, and no more for the button.
    if (leading && !this.leading) byId('bench-title').focus();
    this.leading = leading;
    const button = byId<HTMLButtonElement>('lead');
    write(button, leading ? 'Lead no more' : 'Lead here');
    button.setAttribute('aria-pressed', String(leading));
    button.disabled = !leading && !free;
    write(byId('lead-words'), leading ? 'This page answers. Others look on.'
      : words !== '' ? sentence(words)
      : free ? 'Nobody answers yet.' : 'Another page answers.');
    this.offered = '';
    if (this.asked !== null) this.show(this.asked);
  }

  private show(asked: Asked): void {
    const anew = asked.number !== this.asked?.number;
    this.asked = asked;
    write(byId('bench-title'), asked.title);
    write(byId('bench-text'), asked.text);
    write(byId('bench-shown'), asked.shown);
    write(byId('bench-words'), sentence(asked.words));
    byId('bench-state').dataset['level'] = String(asked.level);
    write(byId('bench-condition'), sentence(asked.condition));
    const joint = this.point(asked.about);
    write(byId('bench-about'), asked.about === '' ? ''
      : `In the drawing: ${spoken(asked.about)}${joint ? '; the arrow turns the way in which its angle grows' : ''}.`);
    byId('bench-entry').hidden = asked.entry === null;
    write(byId('bench-prompt'), asked.entry?.prompt ?? '');
    this.typed.maxLength = asked.entry?.longest ?? 0;
    this.typed.disabled = !this.leading;
    byId<HTMLButtonElement>('bench-enter').disabled = !this.leading;
    if (anew) this.typed.value = '';
    this.offer(asked.offered);
    if (anew && this.leading && asked.entry !== null && !matchMedia('(pointer: coarse)').matches) this.typed.focus();
  }

  private offer(offered: readonly Offered[]): void {
    const key = JSON.stringify(offered);
    if (key === this.offered) return;
    this.offered = key;
    byId('bench-choices').replaceChildren(...offered.filter((each) => each.key !== OFF).map((each) => {
      const button = make('button', '', make('kbd', '', SHOWN[each.key] ?? each.key), make('span', '', each.words));
      button.type = 'button';
      button.disabled = !this.leading;
      button.addEventListener('click', () => this.choose(each.key));
      return button;
    }));
  }

  private press(event: KeyboardEvent): void {
    const { asked } = this;
    if (asked === null || event.ctrlKey || event.altKey || event.metaKey) return;
    const key = KEYS[event.key] ?? event.key;
    const inField = event.target === this.typed;
    if (inField && (asked.entry?.characters.includes(event.key) ?? false) && !(event.key === ' ' && this.typed.value === '')) return;
    if (key === OFF) {
      event.preventDefault();
      this.send({ kind: 'off' });
    } else if (inField && key === 'enter') {
      event.preventDefault();
      if (this.typed.value === '') this.choose(key);
      else this.enter();
    } else if (this.leading && !(event.target instanceof HTMLButtonElement) && asked.offered.some((each) => each.key === key)) {
      event.preventDefault();
      this.choose(key);
    }
  }

  private choose(key: string): void {
    if (this.asked !== null) this.send({ kind: 'choose', number: this.asked.number, key });
  }

  private enter(): void {
    const text = this.typed.value;
    if (this.asked === null || text === '') return;
    this.send({ kind: 'enter', number: this.asked.number, text });
    this.typed.value = '';
  }

  private leave(): void {
    if (this.leading) this.send({ kind: 'leave_lead' });
  }
}

/** Makes words a sentence. */
function sentence(words: string): string {
  if (words === '') return '';
  const begun = words.charAt(0).toUpperCase() + words.slice(1);
  return /[.:!?]$/.test(begun) ? begun : `${begun}.`;
}
