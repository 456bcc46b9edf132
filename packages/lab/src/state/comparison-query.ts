/** In front of the keys of the second setting: `loss=0.1&b.loss=0.3`. */
const SECOND = "b.";

/** Mark that there is a second setting even if it is all defaults. */
const MARK = "b";

/** Puts the queries of both settings into one. @param b - `undefined`: no second setting */
export function comparisonToQuery(a: string, b: string | undefined): string {
  if (b === undefined) return a;
  const second = b
    .split("&")
    .filter((pair) => pair !== "")
    .map((pair) => SECOND + pair);
  return [a, ...(second.length === 0 ? [MARK] : second)].filter((part) => part !== "").join("&");
}

/** Takes them apart again. */
export function comparisonFromQuery(query: string): { a: string; b: string | undefined } {
  const pairs = query.split("&").filter((pair) => pair !== "");
  const isMark = (pair: string): boolean => pair === MARK || pair === `${MARK}=`;
  const second = pairs.filter((pair) => pair.startsWith(SECOND));
  const first = pairs.filter((pair) => !pair.startsWith(SECOND) && !isMark(pair));
  const isThere = second.length > 0 || pairs.some(isMark);
  return {
    a: first.join("&"),
    b: isThere ? second.map((pair) => pair.slice(SECOND.length)).join("&") : undefined,
  };
}
