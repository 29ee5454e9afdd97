// Requests to the station. Whatever changes something goes as JSON with a header that a foreign web page cannot send
// without the station's leave; who this browser is, its cookie says, which no script can read. Stop needs none of it, see stop.ts.

import type { Problem } from './wire.ts';

const BASE = '/api/v1';
const PATIENCE_MS = 8000; // the station answers within milliseconds or not at all; from judgement, no source
const AGAIN_MS = 400;

/** What a command that moves heat names, so that it is carried out once, in time, and on the machine that was looked at. */
export interface Care { key: string; version: string; stamp_ms: number }

/** What went wrong, ready to be shown. */
export class Refused extends Error {
  constructor(readonly problem: Problem) {
    super(problem.title);
  }
}

/** GETs a JSON document. Rejects with Refused. */
export async function get<T>(path: string): Promise<T> {
  return ask<T>(path, { headers: { Accept: 'application/json' } });
}

/** Sends JSON by a method that changes something. Rejects with Refused, which says what to do where the station knew. */
export async function send<T>(method: 'POST' | 'DELETE', path: string, body: object, more: Record<string, string> = {}): Promise<T> {
  return ask<T>(path, { method, headers: { 'Content-Type': 'application/json', 'X-Trivet-Request': '1', ...more }, body: JSON.stringify(body) });
}

/**
 * Sends a command that moves heat. When no answer comes it is sent once more under the same key: if the first one did
 * arrive, the station does not carry it out again and repeats its answer.
 */
export async function command(path: string, body: object, care: Care): Promise<void> {
  const more = { 'Idempotency-Key': care.key, 'If-Match': `"${care.version}"`, 'X-Trivet-Seen': String(care.stamp_ms) };
  try {
    await send('POST', path, body, more);
  } catch (e) {
    if (!(e instanceof Refused) || e.problem.status !== 0) throw e;
    await new Promise((done) => setTimeout(done, AGAIN_MS));
    await send('POST', path, body, more);
  }
}

/** A key for one command: 128 random bits. (randomUUID is not there on a page that came over plain HTTP.) */
export function newKey(): string {
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, '0')).join('');
}

// A problem document is handed on as it is; an answer without one still says what happened and to whom to turn.
async function ask<T>(path: string, init: RequestInit): Promise<T> {
  let answer: Response;
  try {
    answer = await fetch(BASE + path, { ...init, cache: 'no-store', signal: AbortSignal.timeout(PATIENCE_MS) });
  } catch {
    throw new Refused({ title: 'The station did not answer.', status: 0, do: 'Look at the machine itself, then try again.' });
  }
  const text = await answer.text();
  let document: unknown = null;
  try {
    document = text === '' ? null : JSON.parse(text);
  } catch {
    if (answer.ok) throw new Refused({ title: 'The station’s answer cannot be read.', status: answer.status, do: 'Reload this page.' });
  }
  if (answer.ok) return document as T;
  const p = (document ?? {}) as Partial<Problem>;
  throw new Refused({ ...p, title: p.title ?? `The station refused (${answer.status}).`, status: answer.status });
}
