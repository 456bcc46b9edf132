import { InvalidArgumentError } from "commander";
import { usageProblem } from "../problem.js";
import { nearestName } from "../scenario/nearest.js";

/** What may stand behind a link, and who reads each value: they throw `InvalidArgumentError`. */
export type Readers = Readonly<Record<string, (text: string) => unknown>>;

export type Values<R extends Readers> = { readonly [K in keyof R]?: ReturnType<R[K]> };

/**
 * Read `name=value` pairs.
 * @param link - the whole text, for sentences
 * @throws Problem that names the pair that is wrong, and what is allowed
 */
export function readParameters<R extends Readers>(
  link: string,
  pairs: readonly string[],
  readers: R,
): Values<R> {
  const values = new Map<string, unknown>();
  for (const pair of pairs) {
    const at = pair.indexOf("=");
    const name = at < 0 ? pair : pair.slice(0, at);
    const reader = Object.hasOwn(readers, name) ? readers[name] : undefined;
    if (!reader) throw unknownName(link, name, Object.keys(readers));
    if (at < 0) throw badLink(link, `${name} has no value: write ${name}=…`);
    if (values.has(name)) throw badLink(link, `${name} is given twice. Give it once`);
    values.set(name, readValue(link, pair, reader, pair.slice(at + 1)));
  }
  // Each value was made by the reader of its name.
  return Object.fromEntries(values) as Values<R>;
}

function readValue(
  link: string,
  pair: string,
  reader: (text: string) => unknown,
  text: string,
): unknown {
  try {
    return reader(text);
  } catch (error) {
    if (!(error instanceof InvalidArgumentError)) throw error;
    throw badLink(link, `${pair} is not valid. ${error.message.replace(/\.$/, "")}`);
  }
}

function unknownName(link: string, name: string, known: readonly string[]): Error {
  const nearest = nearestName(name, known);
  const hint = nearest === undefined ? "" : ` Did you mean ${nearest}?`;
  const shown = name === "" ? "something is missing between the separators" : `there is no ${name}`;
  return badLink(link, `${shown}.${hint} Allowed: ${known.join(", ")}`);
}

/** @param what - which part is wrong and what to write instead; without its full stop */
export function badLink(link: string, what: string): Error {
  return usageProblem(`In the link "${link}": ${what}.`, "bad-link");
}
