// Thinning a trace for a screen: at most two points per pixel column, and never at the cost of an extreme. A spike of
// one sample on a ten-minute chart is exactly what somebody has to see.

export type Column = (number | null)[];
export interface Rows { x: number[]; columns: Column[] }

/**
 * Thins rows to at most two per bucket over [from, to]; columns share x. Each bucket keeps, for every column, its lowest
 * and highest value in the order in which they came; their x is the bucket's first and last, at most one pixel off.
 * The newest row always stays as it is. A bucket in which a column has no value at all stays a gap in that column.
 * x must rise; rows outside the span are kept out. With few rows nothing is changed.
 */
export function thin(rows: Rows, from: number, to: number, buckets: number): Rows {
  const n = rows.x.length;
  if (!(to > from) || buckets < 1 || n <= 2 * buckets) return rows;
  const out: Rows = { x: [], columns: rows.columns.map(() => []) };
  const width = (to - from) / buckets;
  let i = 0;
  while (i < n && rows.x[i]! < from) i++;
  let last = n - 1;
  while (last >= i && rows.x[last]! > to) last--;
  while (i < last) {
    const bucket = Math.floor((rows.x[i]! - from) / width);
    let end = i + 1;
    while (end < last && Math.floor((rows.x[end]! - from) / width) === bucket) end++;
    keepExtremes(rows, out, i, end);
    i = end;
  }
  if (last >= 0 && i === last) keepExtremes(rows, out, last, last + 1);
  return out;
}

// Writes one or two rows for the rows [i, end).
function keepExtremes(rows: Rows, out: Rows, i: number, end: number): void {
  out.x.push(rows.x[i]!);
  const two = end - i > 1;
  if (two) out.x.push(rows.x[end - 1]!);
  for (let c = 0; c < rows.columns.length; c++) {
    const column = rows.columns[c]!;
    let low = -1;
    let high = -1;
    for (let k = i; k < end; k++) {
      const v = column[k];
      if (v === null || v === undefined || Number.isNaN(v)) continue;
      if (low < 0 || v < column[low]!) low = k;
      if (high < 0 || v > column[high]!) high = k;
    }
    const kept = out.columns[c]!;
    if (low < 0) {
      kept.push(null);
      if (two) kept.push(null);
      continue;
    }
    kept.push(column[Math.min(low, high)]!);
    if (two) kept.push(column[Math.max(low, high)]!);
  }
}
