// Draws the chart with uPlot. Colours come from the style sheet, so that light, dark and print have one source.

import uPlot from 'uplot';
import { tempStep, timeStep } from '../logic/curve.ts';
import { roughly, temp, toScale, type Scale } from '../logic/units.ts';
import { clock } from '../logic/words.ts';
import type { Column } from '../logic/thin.ts';
import { marks } from './marks.ts';
import type { Picture } from './chart.tsx';

export interface Line { name: string; label: string; pattern: string; ink: number; values: Column }

const patterns = ['', '7 4', '2 3', '11 4 2 4', '4 2', '1 4'];
const inks = 6; // --line-0 … --line-5 in tokens.css

/** How the line of sensor i looks: a colour and, for those who see none, a pattern of its own. */
export function strokeOf(i: number): { pattern: string; ink: number } {
  return { pattern: patterns[i % patterns.length]!, ink: i % inks };
}

/** Colours by their names in tokens.css. */
export type Inks = (name: string) => string;

const FONT = '13px system-ui, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", sans-serif';
const HEAD = 26; // px above the plot, for the segment names

/** One uPlot with what it needs to be made again when colours, scale or lines change. */
export class Drawing {
  private plot: uPlot | null = null;
  private key = '';
  private picture: Picture | null = null;
  private scale: Scale = 'C';
  private look = '';

  constructor(private readonly box: HTMLElement, private readonly readout: HTMLElement) {}

  draw(picture: Picture, scale: Scale, look: string): void {
    this.picture = picture;
    this.scale = scale;
    // Lines, scale and colours are fixed when a plot is made; values are not.
    const key = `${scale} ${look} ${picture.blind} ${picture.lines.map((l) => l.name).join(' ')}`;
    this.look = look;
    if (key !== this.key || !this.plot) {
      this.key = key;
      this.make();
    } else {
      this.plot.setData(this.data());
    }
  }

  /** The device went from light to dark or back. */
  recolour(): void {
    this.key = '';
    if (this.picture) this.draw(this.picture, this.scale, this.look);
  }

  resize(): void {
    const { width, height } = this.size();
    if (this.plot && width > 50 && height > 50) this.plot.setSize({ width, height });
  }

  end(): void {
    this.plot?.destroy();
    this.plot = null;
  }

  private size() {
    return { width: this.box.clientWidth, height: this.box.clientHeight };
  }

  // Order matters: corridor first so that everything lies over it, the joint last so that nothing lies over the joint.
  private data(): uPlot.AlignedData {
    const p = this.picture!;
    const as = (c: Column) => c.map((v) => (v === null ? null : toScale(v, this.scale)));
    return [p.curve.x, as(p.curve.high), as(p.curve.low), as(p.curve.target), ...p.lines.map((l) => as(l.values)), as(p.bandHigh), as(p.bandLow), as(p.estimated), as(p.joint)];
  }

  private make(): void {
    this.plot?.destroy();
    const style = getComputedStyle(document.documentElement);
    const ink: Inks = (name) => style.getPropertyValue(`--${name}`).trim();
    const dashes = (pattern: string) => (pattern === '' ? [] : pattern.split(' ').map(Number));
    const line = (stroke: string, width: number, dash: number[] = []): uPlot.Series =>
      ({ stroke, width, dash, points: { show: false }, spanGaps: false });
    const { lines, blind } = this.picture!;
    const band = 4 + lines.length; // where the estimate's band begins among the series
    const axis = { stroke: ink('ink-soft'), font: FONT, grid: { stroke: ink('grid'), width: 1 }, ticks: { show: false } };
    this.plot = new uPlot({
      ...this.size(),
      padding: [HEAD, 14, 0, 0],
      legend: { show: false },
      cursor: { y: false, drag: { setScale: false, x: false, y: false }, points: { show: false } },
      scales: {
        x: { time: false, range: () => [0, this.picture!.curve.end] },
        y: { range: (_u, _min, max) => this.range(max) },
      },
      axes: [
        { ...axis, size: 26, gap: 6, splits: (u) => steps(u.scales.x!.max!, timeStep(u.scales.x!.max!, u.width / 80)), values: (_u, v) => v.map(clock) },
        { ...axis, size: 48, gap: 6, splits: (u) => steps(u.scales.y!.max!, tempStep(u.scales.y!.max! - u.scales.y!.min!, u.height / 46), u.scales.y!.min!),
          values: (_u, v) => v.map((t) => `${t}°`) },
      ],
      series: [
        {},
        line(ink('corridor-edge'), 1), line(ink('corridor-edge'), 1), line(ink('plan'), 1.5, [3, 3]),
        ...lines.map((l) => line(ink(`line-${l.ink}`), 1.75, dashes(l.pattern))),
        line('transparent', 1), line('transparent', 1),
        blind ? line(ink('trace'), 3, [9, 6]) : line(ink('ink-soft'), 1.25, [13, 4]), line(ink('trace'), 3),
      ],
      bands: [{ series: [1, 2], fill: ink('corridor') }, { series: [band, band + 1], fill: ink('doubt') }],
      hooks: {
        drawClear: [(u) => marks.under(u, this.picture!, ink)],
        draw: [(u) => marks.over(u, this.picture!, ink, this.scale, FONT)],
        setCursor: [(u) => this.tell(u)],
      },
    }, this.data(), this.box);
  }

  // From freezing point up to a little above whatever is drawn; the liquidus is always in view.
  private range(max: number | null): [number, number] {
    const p = this.picture!;
    const top = Math.max(max ?? 0, toScale(p.plan.liquidus_c + 25, this.scale), toScale(100, this.scale));
    return [toScale(0, this.scale), top + (top - toScale(0, this.scale)) * 0.04];
  }

  // What lies under the pointer, in one line.
  private tell(u: uPlot): void {
    const i = u.cursor.idx;
    const p = this.picture!;
    if (i === null || i === undefined || (u.cursor.left ?? -1) < 0) {
      this.readout.textContent = '';
      return;
    }
    const said = [clock(p.curve.x[i] ?? 0)];
    const joint = p.joint[i] ?? null;
    const estimated = p.estimated[i] ?? null;
    if (joint !== null) said.push(`joint ${temp(joint, this.scale)}`);
    if (estimated !== null) said.push(`${p.blind ? 'joint' : 'estimated'} ${roughly(estimated, this.scale)}`);
    said.push(`plan ${temp(p.curve.target[i] ?? null, this.scale)}`);
    for (const l of p.lines) if ((l.values[i] ?? null) !== null) said.push(`${l.label} ${temp(l.values[i], this.scale, 0)}`);
    this.readout.textContent = said.join(' · ');
  }
}

// Multiples of step from min to max, both included when they are multiples.
function steps(max: number, step: number, min = 0): number[] {
  const out: number[] = [];
  for (let v = Math.ceil(min / step) * step; v <= max; v += step) out.push(v);
  return out;
}
