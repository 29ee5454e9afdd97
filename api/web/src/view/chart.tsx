// The corridor chart: the whole run from start to end, the window it has to stay in, where it is now. The future takes
// as much room as the past.

import { useEffect, useRef } from 'preact/hooks';
import type { Model } from '../model.ts';
import { bandOf, coldest, layOut, type Curve } from '../logic/curve.ts';
import { sightOf, unwatched } from '../logic/sight.ts';
import { DOUBT, ESTIMATE } from '../logic/trace.ts';
import { temp } from '../logic/units.ts';
import { thin, type Column } from '../logic/thin.ts';
import { isShown } from '../settings.ts';
import type { ForecastCurve, Plan, State } from '../wire.ts';
import { Drawing, strokeOf, type Line } from './drawing.ts';
import { ChartWords } from './chartwords.tsx';
import { draft } from './prepare.tsx';

/** Everything the drawing and its words are made from. Columns have the rows of curve.x. */
export interface Picture {
  plan: Plan; curve: Curve;
  joint: Column; // measured; all null in a run without a joint thermocouple, whatever its sensors read
  estimated: Column; bandLow: Column; bandHigh: Column; // the band is drawn where nothing is measured
  blind: boolean; // nothing measures the joint
  lines: Line[]; ahead: ForecastCurve | null;
}

/** The chart with its title, key and words. Before a run it previews the chosen profile from the present joint. */
export function ChartPanel({ m, s }: { m: Model; s: State }) {
  const lines = s.sensors.flatMap((q, i) => (isShown(m.settings, q) ? [{ name: q.name, label: q.label, ...strokeOf(i), values: [] }] : []));
  const picture = m.plan ? compose(m, s, lines) : null;
  const shows = m.showsRun();
  return (
    <section class="sheet chart" aria-labelledby="chart-title">
      <div class="chart-head">
        <h2 id="chart-title">{m.plan ? m.plan.profile : 'Plan'}</h2>
        <p>{shows ? <Key blind={unwatched(s)} compared={picture?.estimated.some((v) => v !== null) ?? false} ahead={s.forecast !== null} /> : preview()}</p>
      </div>
      {picture ? <Canvas m={m} picture={picture} /> : <div class="canvas empty"><p>Waiting for the plan …</p></div>}
      {picture && <ChartWords picture={picture} run={shows ? s.run : null} sight={sightOf(s)} scale={m.settings.scale} />}
    </section>
  );
}

// What a preview cannot know is said: by how much a peak will be lowered, the station decides at the start.
function preview(): string {
  if (!draft.noJoint) return 'the corridor from the joint as it is now';
  return draft.lowered ? 'as written; the start lowers its peak' : 'as written; the start begins where the board is';
}

// A measured joint is a whole line. Where nothing measures it, the estimate is dashes in a band; beside a measured one it is a
// hairline of long dashes. The three never look alike, in grey neither.
function Key({ blind, compared, ahead }: { blind: boolean; compared: boolean; ahead: boolean }) {
  return (
    <>
      <span class="key"><svg viewBox="0 0 30 12" aria-hidden="true"><rect width="30" height="12" class="corridor" /><path d="M0 6h30" class="plan" /></svg>corridor and plan</span>{' '}
      {blind
        ? <span class="key"><svg viewBox="0 0 30 12" aria-hidden="true"><rect width="30" height="12" class="doubt" /><path d="M0 6h30" class="trace" stroke-dasharray="7 4" /></svg>joint, estimated</span>
        : <span class="key"><svg viewBox="0 0 30 12" aria-hidden="true"><path d="M0 6h30" class="trace" /></svg>coldest joint</span>}{' '}
      {!blind && compared && <span class="key"><svg viewBox="0 0 30 12" aria-hidden="true"><path d="M0 6h30" class="compared" /></svg>its estimate</span>}{' '}
      {ahead && <span class="key"><svg viewBox="0 0 30 12" aria-hidden="true"><path d="M0 9 30 3v9L0 9z" class="ahead" /><path d="M0 9 30 7" class="ahead-mid" /></svg>forecast</span>}
    </>
  );
}

// Puts plan, trace and the chosen lines on one time axis, thinned to what a screen can show.
function compose(m: Model, s: State, lines: Line[]): Picture {
  const plan = m.plan!;
  if (!m.showsRun() || m.trace.time.length === 0) {
    const curve = layOut(plan, null, false);
    const none: Column = new Array<null>(curve.x.length).fill(null);
    return { plan, curve, joint: none, estimated: none, bandLow: none, bandHigh: none, blind: false, lines: lines.map((l) => ({ ...l, values: none })), ahead: null };
  }
  const { trace } = m;
  const blind = unwatched(s);
  const none: Column = new Array<null>(trace.time.length).fill(null);
  const one = (name: string) => { const c = trace.column(name); return c.length ? c : none; };
  const joints = s.sensors.filter((q) => q.role === 'joint').map((q) => trace.column(q.name)).filter((c) => c.length > 0);
  const joint = blind ? none : coldest(joints, trace.time.length);
  const estimated = one(ESTIMATE);
  const [low, high] = blind ? bandOf(estimated, one(DOUBT)) : [none, none];
  const columns = [trace.profile, joint, estimated, low, high, ...lines.map((l) => one(l.name))];
  // The plot takes about seven tenths of a wide window; more columns than device pixels would only cost time.
  const pixels = Math.max(200, Math.min(1600, Math.round(window.innerWidth * devicePixelRatio * 0.7)));
  const end = Math.max(trace.last(), plan.time_s.at(-1) ?? 0);
  const rows = thin({ x: trace.time, columns }, 0, end, pixels);
  const live = s.state !== 'complete' && s.state !== 'stopped' && s.state !== 'aborted';
  const curve = layOut(plan, { time: rows.x, profile: rows.columns[0] as number[], columns: rows.columns.slice(1) }, live);
  const [j, e, l, h, ...rest] = curve.columns as [Column, Column, Column, Column, ...Column[]];
  return { plan, curve, joint: j, estimated: e, bandLow: l, bandHigh: h, blind, lines: lines.map((line, i) => ({ ...line, values: rest[i]! })), ahead: m.ahead };
}

// Holds the drawing, which lives outside the virtual tree: uPlot owns what is inside the box and redraws it in place.
function Canvas({ m, picture }: { m: Model; picture: Picture }) {
  const box = useRef<HTMLDivElement>(null);
  const readout = useRef<HTMLParagraphElement>(null);
  const drawing = useRef<Drawing | null>(null);
  const drawn = useRef('');
  useEffect(() => {
    const d = new Drawing(box.current!, readout.current!);
    drawing.current = d;
    const sized = new ResizeObserver(() => d.resize());
    sized.observe(box.current!);
    const scheme = matchMedia('(prefers-color-scheme: dark)');
    const recolour = () => d.recolour();
    scheme.addEventListener('change', recolour);
    d.draw(picture, m.settings.scale, m.settings.look);
    return () => {
      sized.disconnect();
      scheme.removeEventListener('change', recolour);
      d.end();
      drawing.current = null;
    };
  }, []);
  useEffect(() => {
    const key = `${m.version} ${m.settings.scale} ${m.settings.look} ${m.showsRun()}`;
    if (key === drawn.current) return; // nothing on it has changed
    drawn.current = key;
    drawing.current?.draw(picture, m.settings.scale, m.settings.look);
  });
  const { plan, curve } = picture;
  return (
    <div class="canvas" role="img" aria-label={`Chart of ${plan.profile}, ${Math.round(curve.end / 60)} minutes, liquidus ${temp(plan.liquidus_c, m.settings.scale, 0)}. The same in words and as a table below.`}>
      <div class="canvas-box" ref={box} />
      <p class="readout" ref={readout} aria-hidden="true" />
    </div>
  );
}
