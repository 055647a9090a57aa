// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// What the page is made of, and who is told what.

import { Bench } from './bench';
import { Connection, type Link } from './connection';
import { Design } from './design';
import { byId, write } from './dom';
import { Drive } from './drive';
import { showHealth } from './health';
import { Joints } from './joints';
import { forgetEvents, showEvents } from './log';
import type { Event, Frame, Robot, ToPage } from './messages';
import { Motion } from './motion';
import { showPower } from './power';
import { TimeLine } from './recording';
import { View } from './scene';
import { Stance } from './stance';
import { startTheme } from './theme';
import { spoken } from './units';

/** Numbers are written so often, ms: faster than that nobody reads. */
const WRITTEN_EVERY = 150;

/** Words for those who do not see are written so often, ms. */
const DESCRIBED_EVERY = 1000;

const view = new View();
const stance = new Stance();
const joints = new Joints();
const motion = new Motion();
const design = new Design((names) => view.keepMarked(new Set(names.map((name) => legs.indexOf(name)))));
const legs: string[] = [];
let latest: Frame | null = null;
let moved: Frame | null = null;
let refused = '';
let written = 0;
let described = 0;
let frames = 0;

const send = (message: Parameters<Connection['send']>[0]): boolean => connection.send(message);
const drive = new Drive(send, () => view.drawn);
const bench = new Bench(send, (about) => view.pointAt(about));
const timeLine = new TimeLine(send);
const connection = new Connection(take, link);

startTheme(() => {
  view.paint();
  stance.paint();
});
showPower(null);
tellAbsence();
requestAnimationFrame(draw);

function take(message: ToPage): void {
  switch (message.kind) {
    case 'robot': return show(message);
    case 'frame': return takeFrame(message);
    case 'statuses':
      motion.boards(message.boards);
      return showHealth(message);
    case 'events':
      showEvents(message.events);
      return message.events.forEach(mark);
    case 'control': return drive.take(message);
    case 'answered': return drive.answered(message);
    case 'recording': return timeLine.show(message);
    case 'playback': return timeLine.playback(message);
    case 'doubts': case 'checking': case 'wrong': case 'report': case 'pictures':
      return design.take(message);
    case 'asked': case 'lead': return bench.take(message);
  }
}

function link(state: Link, words: string): void {
  const element = byId('link');
  if (state !== 'connected' || element.dataset['link'] !== 'connected') {
    element.dataset['link'] = state;
    write(byId('link-words'), state === 'refused' ? 'refused' : words);
    if (state === 'refused') refused = words;
    else if (state === 'connected') refused = '';
    if (state === 'connected') forgetEvents();
    else {
      drive.lost();
      bench.lost();
      showPower(null);
    }
    tellAbsence();
  }
}

function show(robot: Robot): void {
  legs.splice(0, legs.length, ...robot.legs.map(({ name }) => name));
  document.title = `${robot.name} – leg_kinematics`;
  const where = robot.namespace === '/' || robot.namespace === '' ? '' : ` in ${robot.namespace}`;
  write(byId('robot-name'), robot.name + where);
  latest = null;
  view.show(robot);
  stance.show(robot);
  joints.show(robot);
}

function takeFrame(frame: Frame): void {
  frames += 1;
  latest = frame;
  view.take(frame);
  stance.take(frame);
  timeLine.place(frame.at);
}

/** Lets the legs stand out of which an event tells that something is wrong. */
function mark({ level, words }: Event): void {
  if (level === 0) return;
  legs.forEach((name, leg) => {
    if (words.includes(name) || words.includes(spoken(name))) view.mark(leg);
  });
}

function draw(now: number): void {
  requestAnimationFrame(draw);
  view.draw();
  stance.draw();
  if (latest === null) return;
  if (latest !== moved) joints.move(latest);
  moved = latest;
  if (now - written < WRITTEN_EVERY) return;
  written = now;
  showPower(byId('link').dataset['link'] === 'connected' ? latest.power : null);
  motion.write(latest);
  joints.write(latest);
  tellAbsence();
  if (now - described < DESCRIBED_EVERY) return;
  described = now;
  stance.describe(latest);
}

/** Says so where nothing of what is shown is true any more. */
function tellAbsence(): void {
  const connected = byId('link').dataset['link'] === 'connected';
  const words = refused !== '' ? refused
    : !connected && legs.length === 0 ? 'Nothing is heard yet.'
    : !connected ? 'Nothing is heard: what is shown is what was heard last.'
    : design.stuck ? (legs.length === 0 ? 'No robot could be read yet.' : 'This is the latest robot that could be read.')
    : legs.length === 0 ? 'No robot is heard. Start its chain; it appears here by itself.'
    : latest !== null && latest.angles === null ? 'The robot is not heard: its joints are where they were heard last.'
    : '';
  byId('stage').classList.toggle('stale', words !== '');
  write(byId('nobody'), words);
}

/** What the page shows, as numbers, for tests and for whoever asks in the console. */
Object.assign(window, {
  legKinematics: {
    feet: () => view.feet(),
    footTargets: () => view.footTargets(),
    base: () => view.base(),
    drawn: () => ({ at: view.drawn, pictures: view.pictures, frames, geometries: view.geometries }),
  },
});
