// Words for what the station reports. Codes come in, plain words go out; an unknown code is shown as it is, with its
// underscores taken out, so that a newer station never makes the page silent.

/** Seconds as m:ss, or h:mm:ss from an hour on. Rounds to whole seconds; never negative. */
export function clock(seconds: number): string {
  if (!Number.isFinite(seconds)) return '–:––';
  const s = Math.max(0, Math.round(seconds));
  const two = (n: number) => String(n).padStart(2, '0');
  const h = Math.floor(s / 3600);
  const m = Math.floor((s % 3600) / 60);
  return h > 0 ? `${h}:${two(m)}:${two(s % 60)}` : `${m}:${two(s % 60)}`;
}

/** Wall-clock time of day in the viewer's own zone, always 24 h with seconds. */
export function timeOfDay(ms: number): string {
  const d = new Date(ms);
  return [d.getHours(), d.getMinutes(), d.getSeconds()].map((n) => String(n).padStart(2, '0')).join(':');
}

/** Day and time of a UTC stamp in the viewer's own zone: "25 Nov, 08:34". */
export function dayAndTime(utc: string): string {
  const d = new Date(utc);
  if (Number.isNaN(d.getTime())) return 'time unknown';
  const month = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec'][d.getMonth()];
  return `${d.getDate()} ${month}, ${timeOfDay(d.getTime()).slice(0, 5)}`;
}

/** "No news since 12:03:07 (4 s)". */
export function noNews(sinceMs: number, ageMs: number): string {
  return `No news since ${timeOfDay(sinceMs)} (${Math.floor(ageMs / 1000)} s)`;
}

/** A code as words: "run_on" becomes "run on". */
export function plain(code: string): string {
  return code.replace(/_/g, ' ');
}

/** First letter in upper case, the rest untouched. */
export function capital(s: string): string {
  return s === '' ? s : s.charAt(0).toUpperCase() + s.slice(1);
}

/** A sensor's health in the vocabulary of NAMUR NE 107. */
export type Health = 'good' | 'check function' | 'out of specification' | 'failure';

const health: Record<string, Health> = {
  good: 'good', not_read: 'check function', out_of_range: 'out of specification', cold_junction: 'out of specification',
  implausible: 'out of specification',
};

/** How healthy a reading is. Everything unknown counts as failure: a word we cannot read is no reason to trust a number. */
export function healthOf(quality: string): Health {
  return Object.hasOwn(health, quality) ? health[quality]! : 'failure';
}

const air: Record<string, string> = {
  none: 'needs no air', off: 'air off', starting: 'air starting', proven: 'air proven', lost: 'air lost',
};

/** A heater's air state in words. */
export function airWords(code: string): string {
  return Object.hasOwn(air, code) ? air[code]! : plain(code);
}

const alarmStates: Record<string, string> = {
  unacknowledged: 'not acknowledged', acknowledged: 'acknowledged',
  latched_unacknowledged: 'latched, not acknowledged', latched_acknowledged: 'latched, acknowledged',
  return_to_normal_unacknowledged: 'back to normal, not acknowledged',
};

/** An alarm's state in the words of IEC 62682. */
export function alarmWords(state: string): string {
  return Object.hasOwn(alarmStates, state) ? alarmStates[state]! : plain(state);
}

/** Whether an alarm still waits for a person to say that it was seen. */
export function wantsAcknowledge(state: string): boolean {
  return state.endsWith('unacknowledged');
}

/** "Removal", "Placement", "Reballing". */
export function kindWords(kind: string): string {
  return kind === 'reball' ? 'Reballing' : capital(kind);
}
