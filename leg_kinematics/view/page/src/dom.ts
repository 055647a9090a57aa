// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// Finding and making elements.

/** Gives the element of an id that index.html has. */
export function byId<T extends Element = HTMLElement>(id: string): T {
  const element = document.getElementById(id);
  if (element === null) throw new Error(`index.html has no element '${id}'`);
  return element as unknown as T;
}

/** Makes an element with a class, which may be '', and what is in it. */
export function make<K extends keyof HTMLElementTagNameMap>(
  tag: K, className: string, ...content: (Node | string)[]
): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  if (className !== '') element.className = className;
  element.append(...content);
  return element;
}

/** Sets a text only where it changes, so that nothing is laid out or read aloud in vain. */
export function write(element: Element, text: string): void {
  if (element.textContent !== text) element.textContent = text;
}

/** What stands for a level of a status besides its colour, and how it is read aloud. */
export function glyph(level: 0 | 1 | 2): HTMLElement {
  const sign = make('i', 'glyph', ['✓', '▲', '✕'][level] as string);
  sign.setAttribute('role', 'img');
  sign.setAttribute('aria-label', ['well', 'warning', 'error'][level] as string);
  return sign;
}
