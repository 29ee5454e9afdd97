// Temperatures for people. Inside and on the wire everything is °C; this file is the only place that knows °F.
// A missing reading is never a number: it comes out as words.

export type Scale = 'C' | 'F';

const NBSP = '\u00a0'; // a number and its unit never part at the end of a line

/** Absolute temperature in the chosen scale. */
export function toScale(c: number, scale: Scale): number {
  return scale === 'F' ? c * 1.8 + 32 : c;
}

/** Temperature difference in the chosen scale: no offset. */
export function diffToScale(k: number, scale: Scale): number {
  return scale === 'F' ? k * 1.8 : k;
}

/** The digits of a temperature, with a real minus sign; an en dash pair when there is no reading. */
export function digits(c: number | null | undefined, scale: Scale, decimals = 1): string {
  if (c === null || c === undefined || !Number.isFinite(c)) return '– –';
  return minus(toScale(c, scale).toFixed(decimals));
}

/** A temperature with its unit, or "no reading". */
export function temp(c: number | null | undefined, scale: Scale, decimals = 1): string {
  if (c === null || c === undefined || !Number.isFinite(c)) return 'no reading';
  return `${digits(c, scale, decimals)}${NBSP}°${scale}`;
}

/** A difference with its unit and without a sign: the words around it say which way. */
export function diff(k: number, scale: Scale, decimals = 1): string {
  return `${Math.abs(diffToScale(k, scale)).toFixed(decimals)}${NBSP}°${scale}`;
}

/** An estimated temperature: whole degrees behind "≈", so that it never has the form of a measured one. */
export function roughly(c: number | null | undefined, scale: Scale): string {
  return c === null || c === undefined || !Number.isFinite(c) ? 'no estimate' : `≈${NBSP}${temp(c, scale, 0)}`;
}

/** Half the width of a band, "± 3 °C". Rounded up, in °C first as the station's sentence does it: never narrower than it is. */
export function giveOrTake(k: number, scale: Scale): string {
  return `±${NBSP}${Math.ceil(diffToScale(Math.ceil(k), scale))}${NBSP}°${scale}`;
}

/** The same as a clause to be read aloud: "about 187 °C, give or take 3 °C". */
export function roughlySaid(c: number, doubt: number, scale: Scale): string {
  return `about ${temp(c, scale, 0)}, give or take ${giveOrTake(doubt, scale).slice(2)}`;
}

// Words that make the number before them a difference: "1.2 °C below plan" has no offset, "below 45 °C" has one.
const DIFFERENCE = /^\s+(above|below|over|under|off|from|higher|lower|warmer|cooler|hotter|colder|apart|of plan)\b/;
// The same for words in front of it: half the width of a band.
const BAND = /(give or take|±)\s*$/;
const TEMPERATURE = /([-−]?\d+(?:\.\d+)?)[\s\u00a0]?°C(\/s)?/g;

/**
 * Rewrites every temperature in a sentence of the station into the chosen scale and keeps its number of decimals.
 * The station writes °C only; rates (°C/s) and differences are scaled without the offset.
 */
export function inScale(sentence: string, scale: Scale): string {
  return sentence.replace(TEMPERATURE, (whole: string, number: string, rate: string | undefined, at: number) => {
    if (scale === 'C') return `${number}${NBSP}°C${rate ?? ''}`;
    const value = Number(number.replace('−', '-'));
    const decimals = number.split('.')[1]?.length ?? 0;
    const after = sentence.slice(at + whole.length);
    const band = BAND.test(sentence.slice(0, at));
    const difference = rate !== undefined || band || DIFFERENCE.test(after);
    const out = band ? Math.ceil(diffToScale(value, scale)) : difference ? diffToScale(value, scale) : toScale(value, scale);
    return `${minus(out.toFixed(decimals))}${NBSP}°${scale}${rate ?? ''}`;
  });
}

/** Power in whole watts. */
export function watts(w: number): string {
  return `${Math.round(w)}${NBSP}W`;
}

function minus(s: string): string {
  const n = s.replace('-', '−');
  return /^−0(\.0+)?$/.test(n) ? n.slice(1) : n; // "−0.0" is a rounding artefact, not a temperature
}
