// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// From SI to what people read.

const MINUS = '−';

/** Writes a number with a fixed number of digits, a true minus, and no minus zero. */
export function digits(value: number, count: number): string {
  const text = Math.abs(value).toFixed(count);
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
}

export const degrees = (angle: number): number => (angle * 180) / Math.PI;

export const millimetres = (length: number): number => length * 1000;

/** Writes the name of a leg or joint as it is read, such as `left front`. */
export const spoken = (name: string): string => name.replaceAll('_', ' ');
