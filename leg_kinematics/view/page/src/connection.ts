// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
// The websocket to the server, which comes back by itself.

import type { FromPage, ToPage } from './messages';

/** How the connection is, and since when in words. */
export type Link = 'connecting' | 'connected' | 'lost' | 'refused';

/** The server closes with this code whom it will not serve (RFC 6455, 7.4.1: policy violation). */
const POLICY_VIOLATION = 1008;

/** Between two attempts, ms: the first and the longest pause. */
const FIRST_PAUSE = 250;
const LONGEST_PAUSE = 2000;

/** After this long without any message the connection counts as dead, ms; there are 30 a second. */
const DEAD_AFTER = 3000;

export class Connection {
  private socket: WebSocket | null = null;
  private pause = FIRST_PAUSE;
  private heardAt = 0;
  private again = 0;

  constructor(
    private readonly take: (message: ToPage) => void,
    private readonly tell: (link: Link, words: string) => void,
  ) {
    window.setInterval(() => this.watch(), 500);
    window.addEventListener('online', () => this.hurry());
    window.addEventListener('hashchange', () => location.reload());
    document.addEventListener('visibilitychange', () => this.hurry());
    this.open();
  }

  /** Sends a message; tells whether there is a connection to send it by. */
  send(message: FromPage): boolean {
    if (this.socket?.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }

  private open(): void {
    const scheme = location.protocol === 'https:' ? 'wss:' : 'ws:';
    const socket = new WebSocket(`${scheme}//${location.host}/socket`);
    this.socket = socket;
    this.heardAt = performance.now();
    socket.onopen = () => this.send({ kind: 'hello', token: decodeURIComponent(location.hash.slice(1)) });
    socket.onmessage = (event) => {
      if (socket !== this.socket) return;
      this.heardAt = performance.now();
      this.pause = FIRST_PAUSE;
      this.tell('connected', 'connected');
      this.take(JSON.parse(event.data as string) as ToPage);
    };
    socket.onclose = (event) => {
      if (socket === this.socket) this.closed(event);
    };
  }

  private closed(event: CloseEvent): void {
    this.socket = null;
    if (event.code === POLICY_VIOLATION) {
      const why = event.reason === '' ? 'the server has closed the connection' : event.reason;
      this.tell('refused', `refused: ${why}`);
      this.pause = LONGEST_PAUSE;
    } else {
      this.tell('lost', 'no connection to the server; trying again');
    }
    this.again = window.setTimeout(() => this.open(), this.pause);
    this.pause = Math.min(2 * this.pause, LONGEST_PAUSE);
  }

  /** Tries at once, where a timer of a page in the background would take its time. */
  private hurry(): void {
    if (this.socket !== null || document.hidden) return;
    window.clearTimeout(this.again);
    this.open();
  }

  /** Gives up a connection on which nothing comes: the network is gone, and nobody says so. */
  private watch(): void {
    const { socket } = this;
    if (socket === null || performance.now() - this.heardAt < DEAD_AFTER) return;
    this.socket = null;
    socket.close();
    this.tell('lost', 'nothing comes from the server; trying again');
    this.open();
  }
}
