// What the chart says besides its lines: segments with their names, the lift stretch, the liquidus, now.
// Sizes are CSS pixels times the device's pixel ratio, because the canvas counts device pixels.

import uPlot from 'uplot';
import { temp, toScale, type Scale } from '../logic/units.ts';
import type { Inks } from './drawing.ts';
import type { Segment } from '../wire.ts';
import type { Picture } from './chart.tsx';

export const marks = { under, over };

// Under the lines: the lift stretch hatched, segment borders, the past a shade quieter than the future.
function under(u: uPlot, p: Picture, ink: Inks): void {
  const { ctx } = u;
  const { top, height, left, width } = u.bbox;
  const x = (s: number) => Math.min(left + width, u.valToPos(s, 'x', true));
  ctx.save();
  for (const g of p.plan.segments) {
    const from = x(p.curve.at(g.from_s));
    const to = x(p.curve.at(g.to_s));
    if (g.lift) hatch(ctx, from, top, to - from, height, ink('lift-hatch'));
    ctx.fillStyle = ink('grid');
    if (g.from_s > 0) ctx.fillRect(Math.round(from), top - 22 * uPlot.pxRatio, uPlot.pxRatio, height + 22 * uPlot.pxRatio);
  }
  ctx.restore();
}

// Diagonal lines, so that the stretch is told from the corridor without colour.
function hatch(ctx: CanvasRenderingContext2D, x: number, y: number, w: number, h: number, colour: string): void {
  ctx.save();
  ctx.beginPath();
  ctx.rect(x, y, w, h);
  ctx.clip();
  ctx.strokeStyle = colour;
  ctx.lineWidth = 2 * uPlot.pxRatio;
  ctx.beginPath();
  const step = 9 * uPlot.pxRatio;
  for (let d = -h; d < w; d += step) {
    ctx.moveTo(x + d, y + h);
    ctx.lineTo(x + d + h, y);
  }
  ctx.stroke();
  ctx.restore();
}

// Over the lines: what has to be readable across them.
function over(u: uPlot, p: Picture, ink: Inks, scale: Scale, font: string): void {
  const { ctx } = u;
  const px = uPlot.pxRatio;
  ctx.save();
  ctx.font = font.replace(/^\d+px/, `${13 * px}px`);
  ctx.textBaseline = 'middle';
  ahead(u, p, ink, scale, px);
  liquidus(u, p, ink, scale, px);
  names(u, p, ink, px);
  now(u, p, ink, px);
  ctx.restore();
}

// The forecast opens like a fan from where the joint is: its band as an edged area, its middle as dots.
function ahead(u: uPlot, p: Picture, ink: Inks, scale: Scale, px: number): void {
  const f = p.ahead;
  const from = p.curve.now;
  if (!f || f.time_s.length < 2 || from === null) return;
  const { ctx, bbox } = u;
  const first = f.time_s.findIndex((t) => t >= from);
  // How the joint cools is the fans' and the profile's business: the fan ends where heating does.
  const cool = p.plan.segments.find((g) => g.cool);
  const until = cool ? p.curve.at(cool.from_s) : Infinity;
  const beyond = f.time_s.findIndex((t) => t > until);
  const end = beyond < 0 ? f.time_s.length : beyond;
  if (first < 0 || end - first < 2) return;
  const at = (t: number, c: number): [number, number] => [u.valToPos(t, 'x', true), u.valToPos(toScale(c, scale), 'y', true)];
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.beginPath();
  for (let i = first; i < end; i++) ctx.lineTo(...at(f.time_s[i]!, f.high_c[i]!));
  for (let i = end - 1; i >= first; i--) ctx.lineTo(...at(f.time_s[i]!, f.low_c[i]!));
  ctx.closePath();
  ctx.strokeStyle = ink('trace');
  ctx.globalAlpha = 0.16;
  ctx.fillStyle = ink('trace');
  ctx.fill();
  ctx.globalAlpha = 0.45;
  ctx.lineWidth = px;
  ctx.stroke();
  ctx.globalAlpha = 1;
  ctx.lineWidth = 2 * px;
  ctx.setLineDash([2 * px, 4 * px]);
  ctx.beginPath();
  for (let i = first; i < end; i++) ctx.lineTo(...at(f.time_s[i]!, f.mid_c[i]!));
  ctx.stroke();
  ctx.restore();
}

// Dash-dot, a pattern no trace has.
function liquidus(u: uPlot, p: Picture, ink: Inks, scale: Scale, px: number): void {
  if (!(p.plan.liquidus_c > 0)) return;
  const { ctx, bbox } = u;
  const y = Math.round(u.valToPos(toScale(p.plan.liquidus_c, scale), 'y', true));
  ctx.strokeStyle = ink('melt');
  ctx.lineWidth = 1.5 * px;
  ctx.setLineDash([8 * px, 3 * px, 2 * px, 3 * px]);
  ctx.beginPath();
  ctx.moveTo(bbox.left, y);
  ctx.lineTo(bbox.left + bbox.width, y);
  ctx.stroke();
  ctx.setLineDash([]);
  const text = `liquidus ${temp(p.plan.liquidus_c, scale, 0)}`;
  const w = ctx.measureText(text).width;
  // On its own ground, at the left where a run is still cold and the lines are far below.
  ctx.fillStyle = ink('sheet');
  ctx.fillRect(bbox.left + 6 * px, y - 19 * px, w + 8 * px, 16 * px);
  ctx.fillStyle = ink('melt');
  ctx.textAlign = 'left';
  ctx.fillText(text, bbox.left + 10 * px, y - 11 * px);
}

// Segment names above the plot; the present one stands out. A name that does not fit is shortened, then left out.
function names(u: uPlot, p: Picture, ink: Inks, px: number): void {
  const { ctx, bbox } = u;
  const y = bbox.top - 12 * px;
  const isHere = (g: Segment) => p.curve.now !== null && p.curve.now >= p.curve.at(g.from_s) && p.curve.now < p.curve.at(g.to_s);
  // Last, so that its name lies over its neighbours'.
  const ordered = [...p.plan.segments].sort((a, b) => Number(isHere(a)) - Number(isHere(b)));
  for (const g of ordered) {
    const from = u.valToPos(p.curve.at(g.from_s), 'x', true);
    const to = Math.min(bbox.left + bbox.width, u.valToPos(p.curve.at(g.to_s), 'x', true));
    const here = isHere(g);
    const text = here ? g.name : fit(ctx, g.name, to - from - 8 * px);
    if (here) {
      // The present one is always named, if need be across its borders.
      const w = Math.max(to - from - px, ctx.measureText(text).width + 12 * px);
      ctx.fillStyle = ink('here');
      ctx.fillRect((from + to + px - w) / 2, bbox.top - 22 * px, w, 20 * px);
    }
    if (text === '') continue;
    ctx.fillStyle = here ? ink('here-ink') : ink('ink-soft');
    ctx.textAlign = 'center';
    ctx.fillText(text, (from + to) / 2, y);
  }
}

// Cuts a name to a width, with a full stop to show it; fewer than four letters say nothing.
function fit(ctx: CanvasRenderingContext2D, text: string, width: number): string {
  if (ctx.measureText(text).width <= width) return text;
  for (let n = text.length - 2; n >= 4; n--) { // “Ram.” for “Ramp” would help nobody
    const short = `${text.slice(0, n).trimEnd()}.`;
    if (ctx.measureText(short).width <= width) return short;
  }
  return '';
}

// Where the past ends.
function now(u: uPlot, p: Picture, ink: Inks, px: number): void {
  if (p.curve.now === null) return;
  const { ctx, bbox } = u;
  const x = Math.round(u.valToPos(p.curve.now, 'x', true));
  ctx.fillStyle = ink('trace');
  ctx.fillRect(x - px / 2, bbox.top, px, bbox.height);
  // The newest joint, as a ring around its point, so that the eye finds it at once; an estimated one as a square on its corner.
  const shown = p.blind ? p.estimated : p.joint;
  for (let i = shown.length - 1; i >= 0; i--) {
    if ((shown[i] ?? null) === null) continue;
    const s = p.curve.x[i]!;
    if (p.curve.now - s > 5) break; // an old reading is not where the joint is
    const y = u.valToPos(u.data[u.data.length - (p.blind ? 2 : 1)]![i] as number, 'y', true); // see Drawing.data
    const at = u.valToPos(s, 'x', true);
    ctx.beginPath();
    if (p.blind) corners(ctx, at, y, 7.5 * px);
    else ctx.arc(at, y, 6 * px, 0, 2 * Math.PI);
    ctx.fillStyle = ink('sheet');
    ctx.fill();
    ctx.lineWidth = 3 * px;
    ctx.strokeStyle = ink('trace');
    ctx.stroke();
    break;
  }
}

// A square on its corner.
function corners(ctx: CanvasRenderingContext2D, x: number, y: number, r: number): void {
  ctx.moveTo(x, y - r);
  ctx.lineTo(x + r, y);
  ctx.lineTo(x, y + r);
  ctx.lineTo(x - r, y);
  ctx.closePath();
}
