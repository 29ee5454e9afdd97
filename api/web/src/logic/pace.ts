// How often to redraw. Ten times a second where that is cheap; on a slow panel computer drawing gets at most a fifth of
// the time, so that Stop and the fields stay quick.

const FASTEST_MS = 100;
const SLOWEST_MS = 1000;
const SHARE = 5; // one part drawing, four parts everything else

export class Pacer {
  private cost = 0;
  private last = Number.NEGATIVE_INFINITY;

  /** Whether a drawing is due at t (ms, monotonic). */
  due(t: number): boolean {
    return t - this.last >= this.interval();
  }

  /** Notes a drawing that began at t and took cost ms. One slow frame counts a quarter; a slow machine adds up. */
  drew(t: number, cost: number): void {
    this.last = t;
    this.cost += (cost - this.cost) / 4;
  }

  /** Present interval in ms, 100…1000. */
  interval(): number {
    return Math.min(SLOWEST_MS, Math.max(FASTEST_MS, SHARE * this.cost));
  }
}
