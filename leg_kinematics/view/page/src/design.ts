// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// A design that somebody edits: the verdict, what to look at, all lines, and the pictures.

import { byId, make, write } from './dom';
import type { Checking, Doubts, Finding, Picture, Pictures, Report, Wrong } from './messages';
import { spoken } from './units';

/** Each shape is drawn in a square of 24; it differs from all others without any colour. */
const VERDICTS: Record<Report['verdict'] | 'checking' | 'wrong', { word: string; sign: string; shape: string }> = {
  pass: {
    word: 'pass',
    sign: '✓',
    shape: '<circle cx="12" cy="12" r="10.5"/><path class="on" d="m6.5 12.5 4 4 7-8.5"/>',
  },
  tight: {
    word: 'tight',
    sign: '▲',
    shape: '<path d="M12 1.5 23 21.5H1Z"/><path class="on" d="M12 8.5v6.5M12 17.5v1.5"/>',
  },
  fail: {
    word: 'fail',
    sign: '✕',
    shape: '<path d="M3 3h18v18H3Z"/><path class="on" d="m7.5 7.5 9 9m0-9-9 9"/>',
  },
  checking: {
    word: 'checking',
    sign: '…',
    shape: '<circle cx="12" cy="12" r="9.5" fill="none" stroke-width="2.5" stroke-dasharray="5 3"/>',
  },
  wrong: {
    word: 'cannot check',
    sign: '?',
    shape: '<path d="M4 2h11l5 5v15H4Z" fill="none" stroke-width="2.5"/><path d="M12 8v7m0 2v2" stroke-width="2.5"/>',
  },
};

/** A group of more lines than this is folded while all of them pass. */
const FOLDED_ABOVE = 9;

export class Design {
  /** Whether what the files have now cannot be checked. */
  stuck = false;
  private report: Report | null = null;
  /** Groups that somebody has opened or closed. */
  private readonly opened = new Map<string, boolean>();
  private lines = '';
  private drawing = 0;

  /** `mark` is told the names of the legs that shall stand out. */
  constructor(private readonly mark: (legs: readonly string[]) => void) {}

  take(message: Doubts | Checking | Wrong | Report | Pictures): void {
    document.body.classList.add('designed');
    for (const id of ['verdict', 'design']) byId(id).hidden = false;
    switch (message.kind) {
      case 'doubts': return this.doubt(message);
      case 'checking': return this.check(message);
      case 'wrong': return this.wrong(message);
      case 'report': return this.show(message);
      case 'pictures': void this.draw(message.pictures);
    }
  }

  private doubt({ doubts, out_of_reach: unreached, legs }: Doubts): void {
    this.mark(legs);
    byId('design-doubts').replaceChildren(
      ...unreached.map((leg) => line('doubt', '!', 'out of reach', `${spoken(leg)} cannot stand where it is described to`,
        'It is shown stretched, as far as its limits let it; the lines about reach say why.')),
      ...doubts.map(({ seen, cure }) => line('doubt', '?', 'doubt', seen, `Cure: ${cure}.`)),
    );
  }

  private check({ doing }: Checking): void {
    this.stand('checking', doing);
    this.tellAge(true);
  }

  private wrong({ words }: Wrong): void {
    this.stand('wrong', this.report === null ? 'There is no report yet.' : 'The report is of the description before.');
    this.tellAge(true);
    this.stuck = true;
    write(byId('design-wrong'), words);
    byId('design-wrong').hidden = false;
  }

  private show(report: Report): void {
    this.report = report;
    const { verdict, findings, remarks, not_asked: unasked, legend, whole } = report;
    const count = (of: Report['verdict']): number => findings.filter((each) => each.verdict === of).length;
    const [tight, fail] = [count('tight'), count('fail')];
    const told = fail + tight === 0 ? `all ${findings.length} lines pass`
      : [fail > 0 ? `${fail} fail` : '', tight > 0 ? `${tight} tight` : '', `${count('pass')} pass`].filter(Boolean).join(', ');
    this.stand(verdict, told + (unasked.length > 0 ? ', as far as it can be asked' : '') +
      (whole || fail === 0 ? '' : '; trying what would help …'));
    this.tellAge(false);
    byId('design-look').replaceChildren(
      ...toLookAt(findings),
      ...unasked.map(({ questions, reason }) => line('note', '–', 'not asked:', questions.join(', '), `Why: ${reason}.`)),
    );
    // Advice that comes later leaves the lines alone, and whoever reads them.
    const lines = JSON.stringify(findings.map((each) => ({ ...each, advice: [] })));
    if (lines !== this.lines) {
      byId('design-change').replaceChildren(...changes(findings));
      byId('design-lines').replaceChildren(...groups(findings).map((group) => this.groupOf(group)));
    }
    this.lines = lines;
    byId('design-remarks').replaceChildren(
      ...remarks.map((remark) => line('note', '–', 'note', remark)),
      line('note', '–', 'to read it', legend),
    );
  }

  /** Says large how it stands. */
  private stand(verdict: keyof typeof VERDICTS, meaning: string): void {
    const element = byId('verdict');
    write(byId('verdict-meaning'), meaning);
    if (verdict !== 'wrong') {
      this.stuck = false;
      byId('design-wrong').hidden = true;
    }
    if (element.dataset['verdict'] === verdict) return;
    element.dataset['verdict'] = verdict;
    write(byId('verdict-word'), VERDICTS[verdict].word);
    (element.querySelector('svg') as SVGElement).innerHTML = VERDICTS[verdict].shape;
  }

  /** Tells whether the report is of a description that the files no longer have. */
  private tellAge(old: boolean): void {
    const former = old && this.report !== null;
    byId('design-age').hidden = !former;
    for (const id of ['design', 'pictures']) byId(id).classList.toggle('former', former);
  }

  private groupOf(findings: readonly Finding[]): HTMLElement {
    const group = findings[0]?.group ?? '';
    const worst = (['fail', 'tight'] as const).find((verdict) => findings.some((each) => each.verdict === verdict)) ?? 'pass';
    const number = findings.filter((each) => each.verdict === worst).length;
    const summary = make('summary', '', make('h3', '', group),
      make('span', `verdict verdict-${worst}`, `${VERDICTS[worst].sign} ${number} ${worst}`));
    const changed = findings.filter(({ former }) => former !== null).length;
    if (changed > 0) summary.append(make('span', 'changed', `${changed} changed`));
    const table = make('table', '', make('tbody', '', ...findings.map(rowOf)));
    table.setAttribute('aria-label', group);
    const element = make('details', 'group', summary, table);
    element.open = this.opened.get(group) ?? (worst !== 'pass' || findings.length <= FOLDED_ABOVE);
    summary.addEventListener('click', () => this.opened.set(group, !element.open));
    return element;
  }

  /**
   * Draws the pictures on canvases: they come through the websocket, where only who has the token
   * hears them, and the page's policy need not allow images from anywhere else.
   */
  private async draw(pictures: readonly Picture[]): Promise<void> {
    const turn = ++this.drawing;
    const figures = await Promise.all(pictures.map(figureOf));
    if (turn !== this.drawing) return;
    byId('picture-list').replaceChildren(...figures);
    byId('pictures').hidden = figures.length === 0;
  }
}

/** Lines of a group follow each other. */
function groups(findings: readonly Finding[]): Finding[][] {
  const found: Finding[][] = [];
  for (const finding of findings) {
    const last = found.at(-1);
    if (last?.[0]?.group === finding.group) last.push(finding);
    else found.push([finding]);
  }
  return found;
}

function rowOf({ name, value, bounds, verdict, detail, former }: Finding): HTMLTableRowElement {
  const heading = make('th', '', spoken(name));
  heading.scope = 'row';
  if (detail !== '') heading.append(make('small', 'detail', detail));
  const shown = make('td', 'value', value);
  if (former !== null) {
    shown.classList.add('changed', former.trend === 'worse' ? 'worse' : 'better');
    const trend = { better: '↗ better, ', worse: '↘ worse, ', 'the same': '' }[former.trend];
    shown.append(make('small', 'trend', `${trend}was ${former.value}`));
  }
  shown.append(make('small', 'bounds', bounds));
  return make('tr', '', make('td', `verdict verdict-${verdict}`, `${VERDICTS[verdict].sign} ${verdict}`), heading, shown);
}

/** Tells what would help the lines that do not pass, once for those that need the same; fails first. */
function toLookAt(findings: readonly Finding[]): HTMLElement[] {
  const told = new Map<string, Finding[]>();
  for (const verdict of ['fail', 'tight'] as const) {
    for (const finding of findings.filter((each) => each.verdict === verdict)) {
      const key = JSON.stringify([verdict, finding.group, finding.remedy]);
      told.set(key, [...told.get(key) ?? [], finding]);
    }
  }
  return [...told.values()].flatMap((alike) => alike.slice(0, 1).map(({ verdict, group, remedy }) => line(
    verdict, VERDICTS[verdict].sign, `${verdict} ${group}:`,
    alike.map(({ name, value, bounds }) => `${spoken(name)}: ${value} (passes ${bounds.replace(/ \(.*/, '')})`).join('; '),
    `What would help: ${remedy}.`,
    ...alike.filter(({ advice }) => advice.length > 0).map(({ name, advice }) =>
      `Tried for ‘${spoken(name)}’, each alone: ${advice.join('; or ')}.`),
  )));
}

/** Says in one sentence what has changed since the report before. */
function changes(findings: readonly Finding[]): string[] {
  const changed = findings.filter(({ former }) => former !== null);
  if (changed.length === 0) return [];
  const count = (trend: 'better' | 'worse'): number => changed.filter(({ former }) => former?.trend === trend).length;
  const verdicts = changed.filter(({ former, verdict }) => former?.verdict !== verdict)
    .map(({ group, name, verdict, former }) => `${group}, ${spoken(name)}: ${former?.verdict ?? ''} → ${verdict}`);
  return [
    `Since the report before, ${changed.length} of ${findings.length} values have changed: ` +
    `↗ ${count('better')} better, ↘ ${count('worse')} worse.`,
    verdicts.length > 0 ? ` Other verdicts: ${verdicts.join('; ')}.` : '',
  ];
}

function line(kind: string, sign: string, what: string, words: string, ...more: string[]): HTMLElement {
  const glyph = make('i', 'glyph', sign);
  glyph.setAttribute('aria-hidden', 'true');
  const text = make('div', '', make('b', '', what), ` ${words}`, ...more.map((each) => make('p', '', each)));
  return make('li', `verdict-${kind}`, glyph, text);
}

async function figureOf({ title, words, png }: Picture): Promise<HTMLElement> {
  const bytes = Uint8Array.from(atob(png), (letter) => letter.charCodeAt(0));
  const image = await createImageBitmap(new Blob([bytes], { type: 'image/png' }));
  const canvas = make('canvas', '');
  canvas.width = image.width;
  canvas.height = image.height;
  canvas.getContext('2d')?.drawImage(image, 0, 0);
  image.close();
  canvas.setAttribute('role', 'img');
  canvas.setAttribute('aria-label', words);
  // On a phone it is wider than the page, and moved by finger or by keys.
  const pane = make('div', 'pane', canvas);
  pane.tabIndex = 0;
  pane.setAttribute('role', 'group');
  pane.setAttribute('aria-label', title);
  return make('figure', '', make('figcaption', '', title), pane);
}
