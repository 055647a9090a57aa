// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Made by `python -m leg_kinematics.view.typescript`; do not edit.

export const FRAMES_A_SECOND = 30;
export const HOLD_EVERY = 0.05;
export const DRIVER_SILENCE = 0.3;
export const LEADING_EVERY = 0.3;

export type PowerState = 'unpowered' | 'released' | 'enabling' | 'following' | 'holding' | 'lost';

export interface Joint {
  readonly name: string;
  readonly lower: number;
  readonly upper: number;
  readonly lower_us: number | null;
  readonly upper_us: number | null;
}

export interface Leg {
  readonly name: string;
  readonly joints: readonly [number, number, number];
}

export interface Robot {
  readonly name: string;
  readonly namespace: string;
  readonly urdf: string;
  readonly legs: readonly Leg[];
  readonly joints: readonly Joint[];
  readonly kind: 'robot';
}

export interface Pose {
  readonly position: readonly [number, number, number];
  readonly orientation: readonly [number, number, number, number];
}

export interface Velocity {
  readonly forward: number;
  readonly left: number;
  readonly turn: number;
}

export interface Ground {
  readonly point: readonly [number, number, number];
  readonly normal: readonly [number, number, number];
}

export interface Balance {
  readonly support: readonly (readonly [number, number, number])[];
  readonly centre_of_mass: readonly [number, number, number];
  readonly margin: number | null;
}

export interface Frame {
  readonly at: number;
  readonly power: PowerState | null;
  readonly angles: readonly number[] | null;
  readonly pulses_us: readonly number[] | null;
  readonly loads: readonly number[] | null;
  readonly base: Pose | null;
  readonly feet: readonly (readonly [number, number, number])[] | null;
  readonly foot_targets: readonly (readonly [number, number, number])[] | null;
  readonly standing: readonly boolean[] | null;
  readonly balance: Balance | null;
  readonly ground: Ground | null;
  readonly wanted: Velocity | null;
  readonly walked: Velocity | null;
  readonly lag: number | null;
  readonly kind: 'frame';
}

export interface NodeStatus {
  readonly name: string;
  readonly level: 0 | 1 | 2;
  readonly state: string;
  readonly words: string;
  readonly values: Readonly<Record<string, string>>;
  readonly at: number;
}

export interface TopicStatus {
  readonly name: string;
  readonly rate: number;
  readonly latency: number | null;
  readonly lost: number;
  readonly silent: number | null;
}

export interface BoardStatus {
  readonly name: string;
  readonly state: string;
  readonly supply: number | null;
  readonly low_voltage: boolean;
  readonly counters: Readonly<Record<string, number>>;
}

export interface Statuses {
  readonly nodes: readonly NodeStatus[];
  readonly boards: readonly BoardStatus[];
  readonly topics: readonly TopicStatus[];
  readonly kind: 'statuses';
}

export interface Event {
  readonly at: number;
  readonly who: string;
  readonly level: 0 | 1 | 2;
  readonly words: string;
}

export interface Events {
  readonly events: readonly Event[];
  readonly kind: 'events';
}

export interface Control {
  readonly offered: boolean;
  readonly armed: boolean;
  readonly moving: boolean;
  readonly press: number;
  readonly words: string;
  readonly kind: 'control';
}

export interface Answered {
  readonly at: number;
  readonly order: 'stand' | 'crouch' | 'release';
  readonly success: boolean;
  readonly words: string;
  readonly kind: 'answered';
}

export interface Mark {
  readonly at: number;
  readonly stop: boolean;
  readonly words: string;
}

export interface Recording {
  readonly name: string;
  readonly duration: number;
  readonly marks: readonly Mark[];
  readonly kind: 'recording';
}

export interface Playback {
  readonly playing: boolean;
  readonly speed: number;
  readonly kind: 'playback';
}

export interface Doubt {
  readonly seen: string;
  readonly cure: string;
}

export interface Doubts {
  readonly doubts: readonly Doubt[];
  readonly out_of_reach: readonly string[];
  readonly legs: readonly string[];
  readonly kind: 'doubts';
}

export interface Checking {
  readonly doing: string;
  readonly kind: 'checking';
}

export interface Wrong {
  readonly words: string;
  readonly kind: 'wrong';
}

export interface Former {
  readonly value: string;
  readonly verdict: 'pass' | 'tight' | 'fail';
  readonly trend: 'better' | 'worse' | 'the same';
}

export interface Finding {
  readonly group: string;
  readonly name: string;
  readonly value: string;
  readonly bounds: string;
  readonly verdict: 'pass' | 'tight' | 'fail';
  readonly detail: string;
  readonly remedy: string;
  readonly advice: readonly string[];
  readonly former: Former | null;
}

export interface NotAsked {
  readonly questions: readonly string[];
  readonly reason: string;
}

export interface Report {
  readonly verdict: 'pass' | 'tight' | 'fail';
  readonly findings: readonly Finding[];
  readonly remarks: readonly string[];
  readonly not_asked: readonly NotAsked[];
  readonly legend: string;
  readonly whole: boolean;
  readonly kind: 'report';
}

export interface Picture {
  readonly title: string;
  readonly words: string;
  readonly png: string;
}

export interface Pictures {
  readonly pictures: readonly Picture[];
  readonly kind: 'pictures';
}

export interface Offered {
  readonly key: string;
  readonly words: string;
}

export interface Entry {
  readonly prompt: string;
  readonly characters: string;
  readonly longest: number;
}

export interface Asked {
  readonly number: number;
  readonly title: string;
  readonly text: string;
  readonly offered: readonly Offered[];
  readonly entry: Entry | null;
  readonly words: string;
  readonly level: 0 | 1 | 2;
  readonly condition: string;
  readonly shown: string;
  readonly about: string;
  readonly kind: 'asked';
}

export interface Lead {
  readonly leading: boolean;
  readonly free: boolean;
  readonly words: string;
  readonly kind: 'lead';
}

export interface Hello {
  readonly token: string;
  readonly kind: 'hello';
}

export interface Arm {
  readonly kind: 'arm';
}

export interface Disarm {
  readonly kind: 'disarm';
}

export interface Hold {
  readonly press: number;
  readonly sequence: number;
  readonly seen: number;
  readonly forward: number;
  readonly left: number;
  readonly turn: number;
  readonly up: number;
  readonly roll: number;
  readonly pitch: number;
  readonly lean: boolean;
  readonly level: boolean;
  readonly fast: boolean;
  readonly kind: 'hold';
}

export interface LetGo {
  readonly press: number;
  readonly why: string;
  readonly kind: 'let_go';
}

export interface Order {
  readonly order: 'stand' | 'crouch' | 'release';
  readonly kind: 'order';
}

export interface Seek {
  readonly at: number;
  readonly kind: 'seek';
}

export interface Play {
  readonly playing: boolean;
  readonly speed: number;
  readonly kind: 'play';
}

export interface TakeLead {
  readonly kind: 'take_lead';
}

export interface LeaveLead {
  readonly kind: 'leave_lead';
}

export interface Leading {
  readonly kind: 'leading';
}

export interface Choose {
  readonly number: number;
  readonly key: string;
  readonly kind: 'choose';
}

export interface Enter {
  readonly number: number;
  readonly text: string;
  readonly kind: 'enter';
}

export interface Off {
  readonly kind: 'off';
}

export type ToPage = Robot | Frame | Statuses | Events | Control | Answered | Recording | Playback | Doubts | Checking | Wrong | Report | Pictures | Asked | Lead;
export type FromPage = Hello | Arm | Disarm | Hold | LetGo | Order | Seek | Play | TakeLead | LeaveLead | Leading | Choose | Enter | Off;
