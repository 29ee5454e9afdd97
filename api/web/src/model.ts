// All that the page knows, in one place: the newest state, the run so far, its plan, what went wrong last. Views read
// it and call its deeds; nothing else talks to the station, except Stop, which must not depend on any of this.

import { command, get, newKey, Refused, send, type Care } from './api.ts';
import { News } from './logic/fresh.ts';
import { Link, type Socket } from './logic/link.ts';
import { standing, type Standing } from './logic/people.ts';
import { orderOf, unwatched, type Draft } from './logic/sight.ts';
import { TraceStore } from './logic/trace.ts';
import { applyLook, load, save, type Settings } from './settings.ts';
import type { Command, ForecastCurve, Lessons, Message, Paired, Pairing, Plan, Problem, ProfileInfo, Role, State, Trace } from './wire.ts';

const PREVIEW_EVERY_MS = 20_000; // a preview starts from the present joint temperature, which drifts
const RETRY_MS = 3000;
const FRESH_MS = 2000; // a state older than this is not named in a command: the station takes five seconds at most
const MOST_LATELY = 8;
const COMPARE_EVERY_MS = 5000; // the estimate beside a measured joint is for comparing, nobody acts by it

/** The one model of the page. Every change calls the listener, which draws when it can. */
export class Model {
  state: State | null = null;
  connected = false;
  readonly news = new News();
  readonly trace = new TraceStore();
  plan: Plan | null = null;
  ahead: ForecastCurve | null = null; // where the joint is expected to go from here
  profiles: ProfileInfo[] = [];
  lessons: number | null = null; // boards of the type on the machine that were learned from; null: not told
  chosen = ''; // profile picked for the next run
  preparing = false;
  settings: Settings = load();
  problem: Problem | null = null;
  busy: string | null = null; // command under way
  me: Pairing | null = null; // what this browser is to the station; null until it has said so
  people: Paired[] | null = null; // everybody who is paired, for supervisors
  lately: { seq: number; wall: number; text: string; by: string }[] = []; // newest first
  longestLift = 0; // s, the most time left seen since the window opened
  version = 0; // grows with every change of plan or trace, so that the chart knows

  private planKey = '';
  private aheadKey = '';
  private planAt = 0; // ms, when the plan was asked for
  private filling = false;
  private comparedTo = 0; // s since the start of the run
  private comparedAt = 0; // ms
  private listener: () => void = () => {};
  private link = new Link({
    url: `${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/api/v1/stream`,
    open: (url) => new WebSocket(url) as Socket,
    message: (m) => this.take(m),
    status: (up) => { this.connected = up; this.changed(); },
    later: (f, ms) => window.setTimeout(f, ms),
    forget: (id) => window.clearTimeout(id),
    random: Math.random,
  });

  start(listener: () => void): void {
    this.listener = listener;
    applyLook(this.settings.look);
    // Where only paired browsers may look, a stream would be refused again and again; it begins when we are paired.
    void this.loadMe().then(() => { if (this.me?.may_look !== false) this.link.start(); });
    window.addEventListener('online', () => this.link.hurry());
    document.addEventListener('visibilitychange', () => { if (!document.hidden) this.link.hurry(); });
    void this.loadProfiles();
  }

  changed(): void {
    this.listener();
  }

  /** Whether what is shown may no longer be true. */
  stale(): boolean {
    return this.news.stale(performance.now());
  }

  /** Whether the station would take a command from this viewer now. It decides again when the command arrives. */
  may(c: Command): boolean {
    return this.state?.allowed_commands.includes(c) ?? false;
  }

  /** Changes the viewer's settings and keeps them. */
  set(change: Partial<Settings>): void {
    this.settings = { ...this.settings, ...change };
    save(this.settings);
    applyLook(this.settings.look);
    this.version++;
    this.changed();
  }

  /** Opens or leaves the preparation of a run. Nothing is sent. */
  prepare(on: boolean): void {
    this.preparing = on;
    this.problem = null;
    void this.loadProfiles();
    if (on) void this.loadLessons();
    this.wantPlan();
    this.changed();
  }

  /** Picks the profile of the next run; its corridor is fetched for the chart. */
  choose(profile: string): void {
    this.chosen = profile;
    this.wantPlan();
    this.changed();
  }

  /** Sends a command that moves heat, and shows what the station says if it refuses. Returns whether it was accepted. */
  async tell(c: Command, path: string, body: object = {}): Promise<boolean> {
    const by = this.settings.name.trim();
    return this.doing(c, async () => command(path, by === '' ? body : { ...body, by }, await this.care()));
  }

  /** Where this browser stands as to the controls. */
  standing(): Standing {
    return this.state ? standing(this.me, this.state.controls) : 'unknown';
  }

  /** Asks for, takes, or lets go of the controls. */
  async controls(deed: 'take' | 'ask' | 'release' | 'take-over'): Promise<void> {
    await this.doing(deed, () => send('POST', `/controls/${deed}`, {}));
  }

  /** The holder's answer to whoever asks for the controls. */
  async answer(to: string, give: boolean): Promise<void> {
    await this.doing('answer', () => send('POST', '/controls/answer', { to, give }));
  }

  /** Pairs this browser. The stream is begun anew, so that the station knows whose page it is. */
  async pair(code: string, name: string, role: Role): Promise<void> {
    await this.doing('pair', () => send('POST', '/pairing', { code, name, role }));
    await this.loadMe();
    if (this.me?.you) this.link.renew();
  }

  /** Ends a pairing: this browser's own, or with an id somebody's. */
  async unpair(id = ''): Promise<void> {
    await this.doing('unpair', () => (id === '' ? send('POST', '/pairing/leave', {}) : send('DELETE', `/pairings/${encodeURIComponent(id)}`, {})));
    await this.loadMe();
    await this.loadPeople();
  }

  /** Fetches who is paired; only a supervisor is told. */
  async loadPeople(): Promise<void> {
    this.people = null;
    if (this.me?.you?.role === 'supervisor') {
      try {
        this.people = (await get<{ pairings: Paired[] }>('/pairings')).pairings;
      } catch {
        // the list stays away; opening the page again asks again
      }
    }
    this.changed();
  }

  /** Fetches what this browser is to the station. */
  async loadMe(): Promise<void> {
    try {
      this.me = await get<Pairing>('/pairing');
      this.changed();
    } catch {
      // asked again with the next connection
    }
  }

  // What is decided on is what was seen: the version is that of the state on the screen. Only the proof that the command has not
  // been lying about may come from a newer one, for when the stream is dead and a person acts by what they see on the bench.
  private async care(): Promise<Care> {
    const s = this.state;
    if (!s) throw new Refused({ title: 'The station has not been seen yet.', status: 0, do: 'Wait for its first news.' });
    const old = this.news.age(performance.now()) > FRESH_MS;
    const stamp_ms = old ? (await get<State>('/state')).stamp_ms : s.stamp_ms;
    return { key: newKey(), version: s.version, stamp_ms };
  }

  // Does one thing at a time and keeps what the station says if it refuses.
  private async doing(what: string, deed: () => Promise<unknown>): Promise<boolean> {
    this.busy = what;
    this.problem = null;
    this.changed();
    try {
      await deed();
      return true;
    } catch (e) {
      this.problem = e instanceof Refused ? e.problem : { title: 'This page failed to send the command.', status: 0, do: 'Reload it.' };
      if (this.problem.status === 401) void this.loadMe(); // we are not who we thought we were
      return false;
    } finally {
      this.busy = null;
      this.changed();
    }
  }

  /** Asks for a run. The preparation stays open when it is refused, with everything that was typed. */
  async begin(d: Draft, p: ProfileInfo): Promise<boolean> {
    const accepted = await this.tell('start', '/runs', orderOf(d, p.name, p.kind));
    if (accepted) this.preparing = false;
    this.changed();
    return accepted;
  }

  /** True while the chart shows a run rather than a preview of one. */
  showsRun(): boolean {
    const s = this.state;
    return s !== null && s.run !== null && s.state !== 'idle' && !this.preparing;
  }

  private take(m: Message): void {
    if (m.type === 'hello') {
      void this.loadMe(); // the station may know us no more
      void this.backfill(); // what happened while we were away, or before we came
    }
    if (m.type === 'state') this.takeState(m.state);
    if (m.type === 'event') this.note(m.seq, m.event.text, m.event.by);
    if (m.type === 'gap' && m.events_lost) this.note(m.seq, 'Some events were missed here; the record has them.', '');
    this.changed();
  }

  // Events that are resumed after a break carry the time at which this page learned of them.
  private note(seq: number, text: string, by: string): void {
    if (this.lately.some((e) => e.seq === seq)) return;
    this.lately = [{ seq, wall: Date.now(), text, by }, ...this.lately].slice(0, MOST_LATELY);
  }

  // A state is taken only when it is news; a repeated one must not look like life.
  private takeState(s: State): void {
    const restarted = this.state !== null && this.state.boot_id !== s.boot_id;
    if (restarted) {
      this.trace.clear(0);
      this.lately = [];
    }
    if (!this.news.accept(s.seq, s.boot_id, performance.now(), Date.now())) return;
    const first = this.state === null;
    this.state = s;
    this.longestLift = s.lift.open ? Math.max(this.longestLift, s.lift.left_s ?? 0) : 0;
    if (s.state !== 'idle' && s.state !== 'stopped' && s.state !== 'complete') this.preparing = false;
    if (this.trace.add(s)) this.version++;
    this.wantPlan();
    this.wantAhead(s);
    this.wantEstimate(s);
    if (first || restarted) void this.backfill();
  }

  // Fetches the trace since the newest row; the whole of it when another run is on the station.
  private async backfill(): Promise<void> {
    const run = this.state?.run;
    if (!run || this.filling) return;
    this.filling = true;
    try {
      const had = this.trace.time.length > 100 && this.trace.runID === run.id;
      const t = await get<Trace>(`/trace?since_s=${had ? Math.max(0, this.lastBeforeGap()) : 0}`);
      this.trace.fill(t);
      this.comparedTo = t.time_s.at(-1) ?? 0;
      this.version++;
    } catch {
      // the chart starts where the stream starts; the next hello tries again
    } finally {
      this.filling = false;
      this.changed();
    }
  }

  // A live row may already have come in after the gap, so the record is asked for from before the widest step.
  private lastBeforeGap(): number {
    const t = this.trace.time;
    for (let i = t.length - 1; i > 0 && i > t.length - 20; i--) {
      if (t[i]! - t[i - 1]! > 2 * Math.max(1, this.state?.speed ?? 1)) return t[i - 1]!;
    }
    return this.trace.last();
  }

  // Asks for another plan when another one is wanted.
  private wantPlan(): void {
    const s = this.state;
    if (!s) return;
    const preview = !this.showsRun();
    const key = preview ? `preview ${this.chosen}` : `run ${s.boot_id} ${s.run!.id} ${s.run!.profile}`;
    const now = performance.now();
    const old = now - this.planAt > (this.plan ? PREVIEW_EVERY_MS : RETRY_MS);
    if (key === this.planKey && !(old && (preview || !this.plan))) return;
    if (key !== this.planKey) this.plan = null;
    this.planKey = key;
    this.planAt = now;
    void this.loadPlan(key, preview && this.chosen !== '' ? `?profile=${encodeURIComponent(this.chosen)}` : '');
  }

  private async loadPlan(key: string, query: string): Promise<void> {
    try {
      const plan = await get<Plan>(`/plan${query}`);
      if (key !== this.planKey) return; // another one is wanted by now
      this.plan = plan;
      this.version++;
      this.changed();
    } catch {
      // asked again with the next states, see wantPlan
    }
  }

  // A forecast is fetched when the state says that there is a new one, and forgotten when there is none.
  private wantAhead(s: State): void {
    const key = s.forecast ? `${s.boot_id} ${s.run?.id} ${s.forecast.begin_s}` : '';
    if (key === this.aheadKey) return;
    this.aheadKey = key;
    if (key === '') {
      this.ahead = null;
      this.version++;
      return;
    }
    get<ForecastCurve>('/forecast').then((curve) => {
      if (key !== this.aheadKey) return; // there is a newer one by now
      this.ahead = curve;
      this.version++;
      this.changed();
    }, () => { this.aheadKey = ''; }); // asked again with the next state
  }

  // With a joint thermocouple the stream tells what is measured; what it was estimated at meanwhile is fetched from the record.
  private wantEstimate(s: State): void {
    const now = performance.now();
    const live = s.state === 'running' || s.state === 'holding' || s.state === 'held' || s.state === 'restarting';
    if (!s.run || !live || unwatched(s) || this.filling || now - this.comparedAt < COMPARE_EVERY_MS) return;
    this.comparedAt = now;
    if (s.run.elapsed_s < this.comparedTo) this.comparedTo = 0; // another run
    get<Trace>(`/trace?since_s=${this.comparedTo}`).then((t) => {
      if (t.time_s.length === 0 || t.run_id !== this.trace.runID) return;
      this.comparedTo = t.time_s.at(-1)!;
      this.trace.compare(t);
      this.version++;
      this.changed();
    }, () => {}); // asked again with a later state
  }

  private async loadLessons(): Promise<void> {
    try {
      this.lessons = (await get<Lessons>('/lessons')).lessons;
    } catch {
      this.lessons = null; // a number from before another board was put on would be worse than none
    }
    this.changed();
  }

  private async loadProfiles(): Promise<void> {
    try {
      const { profiles } = await get<{ profiles: ProfileInfo[] }>('/profiles');
      this.profiles = profiles;
      if (!profiles.some((p) => p.name === this.chosen)) this.chosen = (profiles.find((p) => p.default) ?? profiles[0])?.name ?? '';
      this.wantPlan();
      this.changed();
    } catch {
      // asked again when somebody prepares a run
    }
  }
}
