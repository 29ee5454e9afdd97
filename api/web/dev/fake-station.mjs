// A stand-in for the station while the page is being worked on: serves dist/, the API and the stream.
//   node dev/fake-station.mjs [--port 8421] [--scene NAME] [--speed N]
// Without a scene it runs a moving make-believe run that obeys the page's commands.
// POST /dev/scene {"scene":"lift"} changes what it shows.

import { createServer } from 'node:http';
import { readFile } from 'node:fs/promises';
import { extname, join, normalize } from 'node:path';
import { fileURLToPath } from 'node:url';
import { WebSocketServer } from 'ws';
import { PROFILES, noLift, plan, rest, running, TOTAL_S, trace } from './model.mjs';
import { guessedVerdict, runs, scenes, verdict, waitedAt } from './scenes.mjs';

const dist = fileURLToPath(new URL('../dist', import.meta.url));
const MIRA = { id: 'p1', name: 'Mira', role: 'supervisor', paired_utc: '2026-03-02T07:40:00Z', source: '127.0.0.1' };
const JONAS = { id: 'p2', name: 'Jonas', role: 'operator', paired_utc: '2026-03-03T10:15:00Z', source: '192.168.7.31' };
const RIA = { id: 'p3', name: 'Ria', role: 'viewer', paired_utc: '2026-03-03T10:20:00Z', source: '192.168.7.32' };
const types = { '.html': 'text/html; charset=utf-8', '.js': 'text/javascript', '.css': 'text/css', '.svg': 'image/svg+xml' };

export class FakeStation {
  constructor({ scene = null, speed = 20 } = {}) {
    this.scene = scene;
    this.speed = speed;
    this.boot = 'boot-1';
    this.seq = 0;
    this.messages = 0;
    this.stops = []; // content types of the stop requests that came in, for tests
    this.run = null; // { order, p, e, held, ended, confirmed }
    this.mangle = false; // send states that the page cannot draw
    this.lessons = 3; // boards of the type that were learned from
    this.forbid = null; // a problem to answer every command with
    this.cares = []; // what the commands that came in were protected by, for tests
    this.code = '4821 7730';
    this.people = [{ ...MIRA }, { ...JONAS }, { ...RIA }];
    this.you = this.people[0]; // who the one browser is; null: not paired
    this.holder = 'p1'; // id of whoever holds the controls
    this.asking = null;
    this.here = true; // the browser is on the station's own computer
    this.open = true; // whoever is near may look
    this.refuse = false; // drop every stream, for tests of the way back
  }

  // What the scene shows, for the eyes of this browser.
  state() {
    const s = this.shown();
    const person = (id) => { const p = this.people.find((x) => x.id === id); return p ? { id: p.id, name: p.name, role: p.role } : null; };
    const mine = this.you !== null && this.you.id === this.holder;
    return { version: `${this.boot}-${s.state}-${s.trip_id}`, stamp_ms: this.seq * 100, ...s, controls: { holder: person(this.holder), asking: person(this.asking) },
      allowed_commands: mine ? s.allowed_commands : s.allowed_commands.filter((c) => c === 'stop' || (c === 'acknowledge' && this.you && this.you.role !== 'viewer')) };
  }

  shown() {
    if (this.mangle) return { ...rest(this.seq, this.boot), heaters: null };
    if (this.scene) return scenes[this.scene].state(this.seq, this.boot);
    const r = this.run;
    if (!r) return rest(this.seq, this.boot, { speed: this.speed });
    const change = { speed: this.speed };
    if (r.ended) {
      Object.assign(change, { state: r.ended, phase: '', heat_enabled: false, mains: { power_w: 0, budget_w: 5200 }, allowed_commands: ['stop', 'start', 'reset'],
        sentence: r.ended === 'complete' ? 'Complete. Everything measured is below 45 °C.' : 'Stopped. Somebody pressed Stop. Hot: up to 200 °C, do not touch.',
        sentence_meaning: r.ended, ended: { state: r.ended, code: r.ended, reason: r.ended === 'complete' ? 'The profile ended.' : 'Somebody pressed Stop.', by: '' } });
    } else if (r.held) {
      Object.assign(change, { state: 'held', sentence: 'Held. Continue or stop within 3 minutes of the hold.', sentence_meaning: 'held', allowed_commands: ['stop', 'restart'] });
    } else if (r.p >= 255 && r.p < 300) {
      const left = 300 - r.p;
      const open = r.p > 265 && !r.confirmed;
      Object.assign(change, { phase: 'lift_window', lift: { ...noLift(), waiting: !open, open, molten_for_s: r.p - 255, left_s: open ? left : null, confirmed: r.confirmed } });
      if (open) Object.assign(change, { sentence: `Lift the part now: 0:${String(Math.floor(left)).padStart(2, '0')} left.`, sentence_meaning: 'open', allowed_commands: ['stop', 'hold', 'confirm_lift'] });
    }
    const s = running(this.seq, this.boot, 6, r.order, r.p, r.e, change);
    if (r.ended === 'complete') s.run.verdict = 'pass';
    return s;
  }

  tick(dt) {
    this.seq++;
    const r = this.run;
    if (!r || r.ended) return;
    r.e += dt * this.speed;
    if (!r.held) r.p += dt * this.speed;
    if (r.p >= TOTAL_S) r.ended = 'complete';
  }

  listen(port) {
    this.server = createServer((q, a) => this.answer(q, a).catch((e) => { a.statusCode = 500; a.end(String(e)); }));
    const sockets = new WebSocketServer({ noServer: true });
    this.server.on('upgrade', (q, socket, head) => {
      if (this.refuse || (!this.open && !this.you)) return socket.destroy();
      sockets.handleUpgrade(q, socket, head, (ws) => {
        ws.send(JSON.stringify({ type: 'hello', seq: this.messages, boot_id: this.boot, version: 'fake', resume: q.url.includes('since=') }));
        ws.send(JSON.stringify({ type: 'state', seq: ++this.messages, state: this.state() }));
      });
    });
    this.sockets = sockets;
    this.timer = setInterval(() => {
      this.tick(0.1);
      if (this.scene && scenes[this.scene].silent && this.seq > 3) return;
      const m = JSON.stringify({ type: 'state', seq: ++this.messages, state: this.state() });
      for (const ws of sockets.clients) ws.send(m);
    }, 100);
    return new Promise((done) => this.server.listen(port, '127.0.0.1', () => done(this.server.address().port)));
  }

  show(scene) {
    this.scene = scene;
    const { you = 'p1', holder = 'p1', asking = null, here = true } = scenes[scene]?.people ?? {};
    this.you = this.people.find((p) => p.id === you) ?? null;
    Object.assign(this, { holder, asking, here });
    this.boot = `boot-${scene}`;
    this.seq = 0;
  }

  drop(refuse) {
    this.refuse = refuse;
    for (const ws of this.sockets.clients) ws.terminate();
  }

  close() {
    clearInterval(this.timer);
    for (const ws of this.sockets.clients) ws.terminate();
    this.server.closeAllConnections();
    return new Promise((done) => this.server.close(done));
  }

  async answer(q, a) {
    a.setHeader('Content-Security-Policy', "default-src 'self'; frame-ancestors 'none'");
    const url = new URL(q.url, 'http://x');
    const body = q.method === 'POST' ? await text(q) : '';
    const json = (v, status = 200) => { a.statusCode = status; a.setHeader('Content-Type', 'application/json'); a.end(JSON.stringify(v)); };
    if (url.pathname === '/dev/scene') { this.show(JSON.parse(body).scene); return json({}); }
    if (!url.pathname.startsWith('/api/')) return this.file(url.pathname, a);
    const path = url.pathname.slice('/api/v1'.length);
    if (q.method === 'POST' || q.method === 'DELETE') return this.command(path, q, body, json);
    const at = this.scene ? scenes[this.scene].at : (this.run?.p ?? null);
    if (path === '/pairing') {
      return json({ you: this.you, code: this.here ? this.code : null, here: this.here, may_look: this.open || this.you !== null, private: this.here, wait_s: 0 });
    }
    if (path === '/pairings') return json({ pairings: this.people });
    if (path === '/state') return json(this.state());
    if (path === '/plan') return json(plan());
    if (path === '/lessons') return json({ lessons: this.lessons });
    if (path === '/profiles') return json({ profiles: PROFILES });
    if (path === '/trace') {
      if (at === null) return json({ run_id: 0, channels: [], time_s: [], profile_s: [], columns: [] });
      const blind = this.scene ? scenes[this.scene].blind : this.run?.order.no_joint;
      return json(trace(this.scene ? 5 : 6, at, this.scene ? waitedAt(at) : 0, Number(url.searchParams.get('since_s') ?? 0), blind));
    }
    if (path === '/runs') return json({ runs });
    const one = /^\/runs\/(\d+)$/.exec(path);
    const found = one && runs.find((r) => r.id === Number(one[1]));
    if (found) {
      return json({ ...found, serial: 'A-0113', ended_by: '', damaged_chunks: 0, judgement: found.verdict ? { ...(found.id === 2 ? guessedVerdict() : verdict), verdict: found.verdict } : null,
        events: [{ at_s: 0, code: 'state:running', text: 'Proving the air before any heat.', by: found.by }, { at_s: 279, code: 'lift:open', text: 'The lift window is open.', by: '' }] });
    }
    return json({ type: 'about:blank', title: 'There is no such thing here.', status: 404, code: 'not_found', do: 'Go back to the list.' }, 404);
  }

  command(path, q, body, json) {
    if (path === '/stop') {
      this.stops.push(q.headers['content-type'] ?? '');
      if (this.run && !this.run.ended) this.run.ended = 'stopped';
      return json({ stopped: true });
    }
    if (q.headers['content-type'] !== 'application/json' || q.headers['x-trivet-request'] !== '1') {
      return json({ title: 'The request did not come from the page.', status: 403, code: 'foreign_request', do: 'Reload the page.' }, 403);
    }
    if (this.forbid) return json(this.forbid, this.forbid.status);
    const b = body === '' ? {} : JSON.parse(body);
    if (path.startsWith('/pairing') || path.startsWith('/controls/')) return this.folk(path, q.method, b, json);
    if (!this.you) return json({ title: 'Not paired', status: 401, code: 'not_paired', detail: 'This needs a paired browser or program.', do: 'Pair this browser.' }, 401);
    const care = { key: q.headers['idempotency-key'], version: q.headers['if-match'], stamp: q.headers['x-trivet-seen'] };
    this.cares.push(care);
    if (!/^[0-9a-f]{32}$/.test(care.key ?? '') || !/^".+"$/.test(care.version ?? '') || !/^\d+$/.test(care.stamp ?? '')) {
      return json({ title: 'Not protected from being repeated', status: 428, code: 'care_missing', do: 'Reload the page.' }, 428);
    }
    if (path === '/runs') {
      if (b.no_joint && !b.bounded_peak && this.lessons === 0) {
        return json({ title: 'Refused', status: 409, code: 'no_lesson', detail: 'No board of this type has been run here with a joint thermocouple, so there is nothing to repeat.',
          do: 'Run the first one with a thermocouple at the joint, or choose a bounded peak.' }, 409);
      }
      if (!this.scene && (!this.run || this.run.ended)) {
        this.run = { order: b, p: 0, e: 0, held: false, ended: null, confirmed: false };
        return json({ accepted: true }, 202);
      }
      return json({ title: 'A run is going on already.', status: 409, code: 'busy', detail: '', do: 'Wait until it is over.' }, 409);
    }
    const r = this.run;
    if (path === '/hold' && r) r.held = true;
    else if (path === '/restart' && r) r.held = false;
    else if (path === '/confirm-lift' && r) r.confirmed = true;
    else if (path === '/reset') this.run = null;
    else if (path !== '/acknowledge') return json({ title: 'That cannot be done now.', status: 409, code: 'not_now', do: 'Look at the sentence at the top.' }, 409);
    return json({ accepted: true }, 202);
  }

  // Pairing and the controls.
  folk(path, method, b, json) {
    const done = () => json({ accepted: true }, 202);
    if (path === '/pairing') {
      if (b.code.replace(/\D/g, '') !== this.code.replace(/\D/g, '')) {
        return json({ title: 'Not the code', status: 403, code: 'wrong_code', detail: 'This is not the code that the station shows now.', do: 'Read the code again.' }, 403);
      }
      this.you = { id: 'new', name: b.name, role: b.role, paired_utc: '2026-03-04T09:00:00Z', source: '192.168.7.20' };
      this.people.push(this.you);
      this.code = '1096 2255';
      if (b.role !== 'viewer') this.holder ??= 'new';
      return json({ you: this.you }, 201);
    }
    if (path === '/pairing/leave') {
      if (this.holder === this.you.id) this.holder = null;
      this.people = this.people.filter((p) => p !== this.you);
      this.you = null;
      return json({ ended: true });
    }
    if (method === 'DELETE') {
      this.people = this.people.filter((p) => p.id !== path.split('/').at(-1));
      return done();
    }
    const deed = path.split('/').at(-1);
    if (deed === 'take' || deed === 'take-over') [this.holder, this.asking] = [this.you.id, null];
    if (deed === 'ask') this.asking = this.you.id;
    if (deed === 'release') [this.holder, this.asking] = [this.holder === this.you.id ? null : this.holder, this.asking === this.you.id ? null : this.asking];
    if (deed === 'answer') [this.holder, this.asking] = [b.give ? b.to : this.holder, null];
    return done();
  }

  async file(path, a) {
    const name = path === '/' ? 'index.html' : normalize(path).replace(/^[/\\]+/, '');
    try {
      const data = await readFile(join(dist, name));
      a.setHeader('Content-Type', types[extname(name)] ?? 'application/octet-stream');
      a.end(data);
    } catch {
      a.statusCode = 404;
      a.end('not found');
    }
  }
}

function text(q) {
  return new Promise((done) => {
    let all = '';
    q.on('data', (d) => { all += d; });
    q.on('end', () => done(all));
  });
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const option = (name, otherwise) => {
    const i = process.argv.indexOf(`--${name}`);
    return i > 0 ? process.argv[i + 1] : otherwise;
  };
  const station = new FakeStation({ scene: option('scene', null), speed: Number(option('speed', 20)) });
  const port = await station.listen(Number(option('port', 8421)));
  process.stdout.write(`make-believe station on http://127.0.0.1:${port}\n`);
}
