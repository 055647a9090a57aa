// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// Light or dark: as the system has it, until somebody chooses.

import { byId } from './dom';

const KEY = 'leg_kinematics.theme';

const ICONS = {
  light: 'M12 7a5 5 0 1 0 0 10 5 5 0 0 0 0-10ZM11 1h2v4h-2ZM11 19h2v4h-2ZM1 11h4v2H1ZM19 11h4v2h-4Z',
  dark: 'M20 14.5A8.5 8.5 0 0 1 9.5 4a8.5 8.5 0 1 0 10.5 10.500Z',
};

/** Shows the theme, and tells `changed` of it now and whenever it is another one. */
export function startTheme(changed: () => void): void {
  const system = matchMedia('(prefers-color-scheme: dark)');
  const button = byId('theme');
  const chosen = (): string | null => localStorage.getItem(KEY);
  const show = (): void => {
    const theme = (chosen() ?? (system.matches ? 'dark' : 'light')) === 'dark' ? 'dark' : 'light';
    document.documentElement.dataset['theme'] = theme;
    const other = theme === 'dark' ? 'light' : 'dark';
    button.setAttribute('aria-label', `Change to ${other} colours`);
    button.innerHTML = `<svg aria-hidden="true" viewBox="0 0 24 24"><path d="${ICONS[other]}"/></svg>`;
    changed();
  };
  button.addEventListener('click', () => {
    const other = document.documentElement.dataset['theme'] === 'dark' ? 'light' : 'dark';
    // What the system has anyway is no choice: it shall go on following the system.
    if ((other === 'dark') === system.matches) localStorage.removeItem(KEY);
    else localStorage.setItem(KEY, other);
    show();
  });
  system.addEventListener('change', show);
  show();
}

/** Reads a colour that page.css declares. */
export function colour(name: string): string {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}
