import assert from 'node:assert/strict';
import { test } from 'node:test';
import { Link, parse, SILENCE_MS, type Socket } from '../src/logic/link.ts';
import type { Message } from '../src/wire.ts';

// A bench with its own clock: timers run only when a test lets time pass.
class Bench {
  sockets: (Socket & { url: string; closed: boolean })[] = [];
  got: Message[] = [];
  status: boolean[] = [];
  private timers = new Map<number, { at: number; f: () => void }>();
  private ids = 0;
  private now = 0;
  link = new Link({
    url: '/stream',
    open: (url) => {
      const s = { url, closed: false, onmessage: null, onclose: null, close() { this.closed = true; } };
      this.sockets.push(s);
      return s;
    },
    message: (m) => this.got.push(m),
    status: (up) => this.status.push(up),
    later: (f, ms) => { this.timers.set(++this.ids, { at: this.now + ms, f }); return this.ids; },
    forget: (id) => { this.timers.delete(id); },
    random: () => 0,
  });

  pass(ms: number): void {
    const until = this.now + ms;
    for (;;) {
      const next = [...this.timers].filter(([, t]) => t.at <= until).sort((a, b) => a[1].at - b[1].at)[0];
      if (!next) break;
      this.timers.delete(next[0]);
      this.now = next[1].at;
      next[1].f();
    }
    this.now = until;
  }

  say(m: object): void {
    this.sockets.at(-1)!.onmessage!({ data: JSON.stringify(m) });
  }
}

const hello = (seq: number, resume = false, boot = 'b1') => ({ type: 'hello', seq, boot_id: boot, version: 'x', resume });
const event = (seq: number) => ({ type: 'event', seq, event: { at_s: 1, code: 'c', text: 't', by: '' } });

test('messages arrive in order and nonsense is passed over', () => {
  const b = new Bench();
  b.link.start();
  b.say(hello(0));
  b.sockets[0]!.onmessage!({ data: '{broken' });
  b.sockets[0]!.onmessage!({ data: new ArrayBuffer(3) });
  b.say({ type: 'state', seq: 1 }); // a state without a state
  b.say(event(2));
  assert.deepEqual(b.got.map((m) => m.type), ['hello', 'event']);
});

test('the first connection asks for nothing, a return asks for what was missed', () => {
  const b = new Bench();
  b.link.start();
  assert.equal(b.sockets[0]!.url, '/stream');
  b.say(hello(40));
  b.say(event(41));
  b.sockets[0]!.onclose!();
  b.pass(250);
  assert.equal(b.sockets[1]!.url, '/stream?since=41&boot=b1');
});

test('pauses double up to five seconds and start over after a hello', () => {
  assert.deepEqual([0, 1, 2, 3, 4, 5, 9].map((n) => Link.pause(n, 0)), [250, 500, 1000, 2000, 4000, 5000, 5000]);
  assert.equal(Link.pause(0, 1), 312.5);
  const b = new Bench();
  b.link.start();
  b.sockets[0]!.onclose!();
  b.pass(250);
  b.sockets[1]!.onclose!();
  b.pass(499);
  assert.equal(b.sockets.length, 2);
  b.pass(1);
  assert.equal(b.sockets.length, 3);
  b.say(hello(0));
  b.sockets[2]!.onclose!();
  b.pass(250);
  assert.equal(b.sockets.length, 4);
});

test('a connection that falls silent is given up and replaced', () => {
  const b = new Bench();
  b.link.start();
  b.say(hello(0));
  b.pass(SILENCE_MS - 1);
  assert.ok(!b.sockets[0]!.closed);
  b.pass(1);
  assert.ok(b.sockets[0]!.closed);
  assert.deepEqual(b.status, [true, false]);
  b.pass(250);
  assert.equal(b.sockets.length, 2);
});

test('a socket that was given up can no longer say anything', () => {
  const b = new Bench();
  b.link.start();
  const old = b.sockets[0]!;
  b.pass(SILENCE_MS + 250);
  old.onmessage!({ data: JSON.stringify(hello(0)) });
  old.onclose!();
  assert.equal(b.got.length, 0);
  assert.equal(b.sockets.length, 2);
});

test('a station that has restarted begins a new count', () => {
  const b = new Bench();
  b.link.start();
  b.say(hello(900));
  b.sockets[0]!.onclose!();
  b.pass(250);
  b.say(hello(3, false, 'b2'));
  b.sockets[1]!.onclose!();
  b.pass(250);
  assert.equal(b.sockets[2]!.url, '/stream?since=3&boot=b2');
});

test('hurry skips the pause but never opens a second connection', () => {
  const b = new Bench();
  b.link.start();
  b.link.hurry();
  assert.equal(b.sockets.length, 1);
  b.sockets[0]!.onclose!();
  b.link.hurry();
  assert.equal(b.sockets.length, 2);
  b.pass(400);
  assert.equal(b.sockets.length, 2);
});

test('after the end nothing is opened again', () => {
  const b = new Bench();
  b.link.start();
  b.link.end();
  b.pass(60_000);
  assert.equal(b.sockets.length, 1);
  assert.ok(b.sockets[0]!.closed);
});

test('parse refuses what is no message', () => {
  for (const bad of ['null', '7', '[]', '{"type":"hello"}', '{"type":"other","seq":1}']) assert.equal(parse(bad), null);
});
