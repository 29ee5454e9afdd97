// The run so far, in the page's memory: filled from the station after a reload, then grown from the stream.
// The station holds the record; what is here only feeds the chart.

import type { State, Trace } from '../wire.ts';
import { thin, type Column } from './thin.ts';

const MOST_ROWS = 12000; // then thinned to half: bounds memory and the time of a redraw in a three-hour run
const KEPT_BUCKETS = 3000;
const NEAR_S = 5; // an estimate moves by a few °C in it, about its own doubt
const SAME_S = 0.01; // times of the record are rounded to thousandths

/** Columns of the record with what the law takes the coldest joint for, and half the width of its 95 % band. */
export const ESTIMATE = 'joint_estimate';
export const DOUBT = 'joint_doubt';

export class TraceStore {
  runID = 0;
  time: number[] = []; // s since the run began, rising
  profile: number[] = []; // profile time at the same instants, s
  private columns = new Map<string, Column>();

  /** Names of the columns there are. */
  names(): string[] {
    return [...this.columns.keys()];
  }

  /** One column as long as time, or an empty one. */
  column(name: string): Column {
    return this.columns.get(name) ?? [];
  }

  /** Time of the newest row, s; −1 when there is none. */
  last(): number {
    return this.time.at(-1) ?? -1;
  }

  /** Forgets everything and begins another run. */
  clear(runID: number): void {
    this.runID = runID;
    this.time = [];
    this.profile = [];
    this.columns = new Map();
  }

  /** Puts what the station recorded in front of what came live. Rows at or after its last are kept. */
  fill(t: Trace): void {
    if (t.time_s.length === 0) return;
    const keep = t.run_id === this.runID ? this.after(t.time_s.at(-1)!) : null;
    const before = t.run_id === this.runID && t.time_s[0]! > (this.time[0] ?? Infinity) ? this.upTo(t.time_s[0]!) : null;
    this.clear(t.run_id);
    if (before) this.push(before.time, before.profile, before.columns);
    const wanted = new Map<string, Column>();
    t.channels.forEach((c, i) => {
      // Temperatures only: duties and powers share no axis with them. The doubt is none, but the estimate's band is made of it.
      if (c.kind === 'sensor' || c.kind === 'estimate' || c.kind === 'doubt') wanted.set(c.name, t.columns[i] ?? []);
    });
    this.push(t.time_s, t.profile_s, wanted);
    if (keep) this.push(keep.time, keep.profile, keep.columns);
  }

  /** Adds the present state if it is newer than the newest row of the same run. A new run begins a new trace. */
  add(s: State): boolean {
    const run = s.run;
    if (!run) return false;
    if (run.id !== this.runID) {
      // A run has no number until its record is open; its first rows belong to it all the same.
      const same = this.runID === 0 && run.id !== 0 && run.elapsed_s >= this.last();
      if (same) this.runID = run.id;
      else this.clear(run.id);
    }
    if (!(run.elapsed_s > this.last())) return false;
    const row = new Map<string, Column>();
    for (const q of s.sensors) row.set(q.name, [q.quality === 'good' ? q.temp_c : null]);
    if (s.joint?.estimated) row.set(ESTIMATE, [s.joint.temp_c]).set(DOUBT, [s.joint.doubt_c]);
    this.push([run.elapsed_s], [run.profile_s], row);
    if (this.time.length > MOST_ROWS) this.compact();
    return true;
  }

  /**
   * Puts the estimate of a stretch of the record beside rows that came live. Of a run with a joint thermocouple the stream tells
   * the measured joint only. A row gets the newest recorded estimate that is not later than itself and not older than NEAR_S.
   */
  compare(t: Trace): void {
    if (t.run_id !== this.runID || t.time_s.length === 0) return;
    t.channels.forEach((c, k) => {
      if (c.kind !== 'estimate' && c.kind !== 'doubt') return;
      const column = this.columns.get(c.name) ?? new Array<null>(this.time.length).fill(null);
      this.columns.set(c.name, column);
      let at = 0;
      this.time.forEach((time, i) => {
        if (!(time >= t.time_s[0]!)) return;
        while (at + 1 < t.time_s.length && t.time_s[at + 1]! <= time + SAME_S) at++;
        if (column[i] === null && time - t.time_s[at]! <= NEAR_S) column[i] = t.columns[k]?.[at] ?? null;
      });
    });
  }

  // Appends rows whose time rises; a column met for the first time has a gap up to here.
  private push(time: number[], profile: number[], columns: Map<string, Column>): void {
    const had = this.time.length;
    for (const name of columns.keys()) {
      if (!this.columns.has(name)) this.columns.set(name, new Array<null>(had).fill(null));
    }
    for (let i = 0; i < time.length; i++) {
      if (!(time[i]! > this.last())) continue;
      this.time.push(time[i]!);
      this.profile.push(profile[i] ?? time[i]!);
      for (const [name, column] of this.columns) column.push(columns.get(name)?.[i] ?? null);
    }
  }

  private upTo(t: number) { return this.part((x) => x < t); }
  private after(t: number) { return this.part((x) => x > t); }

  private part(want: (t: number) => boolean) {
    const index = this.time.flatMap((t, i) => (want(t) ? [i] : []));
    const pick = (c: Column) => index.map((i) => c[i] ?? null);
    return {
      time: index.map((i) => this.time[i]!), profile: index.map((i) => this.profile[i]!),
      columns: new Map([...this.columns].map(([name, c]) => [name, pick(c)] as const)),
    };
  }

  // Halves the rows without losing an extreme. Profile time is a column like any other: it rises, so its two extremes
  // of a bucket are its first and last.
  private compact(): void {
    const names = this.names();
    const rows = thin({ x: this.time, columns: [this.profile, ...names.map((n) => this.column(n))] },
      this.time[0]!, this.last(), KEPT_BUCKETS);
    this.time = rows.x;
    this.profile = rows.columns[0] as number[];
    this.columns = new Map(names.map((n, i) => [n, rows.columns[i + 1]!]));
  }
}
