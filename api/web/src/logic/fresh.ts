// Is what the page shows still true? News is a state whose tick counter has moved: a live connection that repeats the
// same tick (the loop stands still behind it) is as stale as a dead one.

/** After this long without news, in ms of the viewer's own clock, the page says so. */
export const STALE_AFTER_MS = 1000;

export class News {
  private seq = -1;
  private boot = '';
  private at = Number.NEGATIVE_INFINITY;
  private wall = 0;

  /** Notes a state; mono and wall are the viewer's monotonic and wall clock in ms. Returns whether it is news. */
  accept(seq: number, boot: string, mono: number, wall: number): boolean {
    if (boot === this.boot && seq <= this.seq) return false;
    this.seq = seq;
    this.boot = boot;
    this.at = mono;
    this.wall = wall;
    return true;
  }

  /** Age of the newest state in ms; infinite before the first. */
  age(mono: number): number {
    return mono - this.at;
  }

  /** Wall-clock time of the newest state in ms; 0 before the first. */
  since(): number {
    return this.wall;
  }

  stale(mono: number): boolean {
    return !(this.age(mono) <= STALE_AFTER_MS);
  }
}
