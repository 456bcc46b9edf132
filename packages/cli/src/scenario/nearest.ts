/** Names further apart than this share of their length are not taken for slips of the pen. */
const DISTANCE_SHARE_MAX = 0.4;

/**
 * The name that was probably meant.
 * @returns the known name with the least edit distance, if that is small enough; case does not count
 */
export function nearestName(given: string, known: readonly string[]): string | undefined {
  let nearest: string | undefined;
  let leastDistance = Number.POSITIVE_INFINITY;
  for (const name of known) {
    const limit = Math.max(1, Math.floor(name.length * DISTANCE_SHARE_MAX));
    if (Math.abs(name.length - given.length) > limit) continue;
    const distance = editDistance(given.toLowerCase(), name.toLowerCase());
    if (distance <= limit && distance < leastDistance) {
      nearest = name;
      leastDistance = distance;
    }
  }
  return nearest;
}

/** Insertions, deletions and replacements that make one word of the other (V. Levenshtein, 1965). */
export function editDistance(one: string, other: string): number {
  let previous = Array.from({ length: other.length + 1 }, (_, index) => index);
  for (let row = 1; row <= one.length; row++) {
    const current = [row];
    for (let column = 1; column <= other.length; column++) {
      const replaced = previous[column - 1]! + (one[row - 1] === other[column - 1] ? 0 : 1);
      current.push(Math.min(replaced, previous[column]! + 1, current[column - 1]! + 1));
    }
    previous = current;
  }
  return previous[other.length]!;
}
