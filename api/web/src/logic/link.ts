// The stream from the station: connects, hands messages on, notices silence, comes back with growing pauses and asks
// for the events it missed. It only listens; commands go by HTTP, so that a dead stream never takes Stop with it.

import type { Message } from '../wire.ts';

/** What Link needs of a WebSocket; tests hand in their own. */
export interface Socket {
  onmessage: ((e: { data: unknown }) => void) | null;
  onclose: (() => void) | null;
  close(): void;
}

export interface LinkOptions {
  url: string; // without the resume query
  open: (url: string) => Socket;
  message: (m: Message) => void;
  status: (connected: boolean) => void;
  later: (f: () => void, ms: number) => number;
  forget: (id: number) => void;
  random: () => number; // 0…1, spreads the return of many viewers after a restart
}

const FIRST_PAUSE_MS = 250;
const LONGEST_PAUSE_MS = 5000;
/** Silence after which a connection counts as dead. States come ten times a second, so this is thirty missed ones. */
export const SILENCE_MS = 3000;

export class Link {
  private socket: Socket | null = null;
  private tries = 0;
  private seq = 0;
  private boot = '';
  private timer = 0;
  private stopped = false;

  constructor(private readonly o: LinkOptions) {}

  /** Connects for the first time. */
  start(): void {
    this.stopped = false;
    this.connect();
  }

  /** Ends the link for good. */
  end(): void {
    this.stopped = true;
    this.o.forget(this.timer);
    this.drop();
  }

  /** Tries again now instead of after the pause: the page has come back to the front, the network has returned. */
  hurry(): void {
    if (this.stopped || this.socket !== null) return;
    this.o.forget(this.timer);
    this.connect();
  }

  /** Gives the connection up, if there is one, and makes another: the station is to see who we are now. */
  renew(): void {
    this.o.forget(this.timer);
    this.drop();
    this.start();
  }

  /** Pause before try n (0 is the first): doubling from 0.25 s to 5 s, with up to a quarter more at random. */
  static pause(n: number, random: number): number {
    return Math.min(LONGEST_PAUSE_MS, FIRST_PAUSE_MS * 2 ** n) * (1 + random / 4);
  }

  private connect(): void {
    const query = this.boot === '' ? '' : `?since=${this.seq}&boot=${encodeURIComponent(this.boot)}`;
    const s = this.o.open(this.o.url + query);
    this.socket = s;
    const mine = () => this.socket === s; // late calls of a socket we have given up mean nothing
    s.onmessage = (e) => { if (mine()) this.take(e.data); };
    s.onclose = () => { if (mine()) this.lost(); };
    this.watch();
  }

  // Starts the silence clock anew. It also covers a connection that never opens.
  private watch(): void {
    this.o.forget(this.timer);
    this.timer = this.o.later(() => this.lost(), SILENCE_MS);
  }

  // Anything received counts as a sign of life, even nonsense: a station that babbles is at least there.
  private take(data: unknown): void {
    this.watch();
    const m = parse(data);
    if (m === null) return;
    if (m.type === 'hello') {
      this.tries = 0;
      this.boot = m.boot_id;
      if (!m.resume) this.seq = m.seq;
      this.o.status(true);
    }
    if (m.seq > this.seq) this.seq = m.seq;
    this.o.message(m);
  }

  // Gives the connection up and plans the next try.
  private lost(): void {
    this.o.forget(this.timer);
    this.drop();
    this.o.status(false);
    if (this.stopped) return;
    this.timer = this.o.later(() => this.connect(), Link.pause(this.tries++, this.o.random()));
  }

  private drop(): void {
    const s = this.socket;
    this.socket = null;
    s?.close();
  }
}

/** A message of the stream, or null for anything that is not one: the page outlives a station that talks nonsense. */
export function parse(data: unknown): Message | null {
  if (typeof data !== 'string') return null;
  let m: unknown;
  try {
    m = JSON.parse(data);
  } catch {
    return null;
  }
  if (typeof m !== 'object' || m === null) return null;
  const { type, seq } = m as { type?: unknown; seq?: unknown };
  if (typeof seq !== 'number') return null;
  if (type === 'hello' || type === 'event' || type === 'gap') return m as Message;
  const state = (m as { state?: { sentence?: unknown } }).state;
  return type === 'state' && typeof state?.sentence === 'string' ? (m as Message) : null;
}
