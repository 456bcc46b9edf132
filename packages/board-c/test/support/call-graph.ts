/**
 * Who calls whom, and how much stack each takes: what the compiler writes with `-fcallgraph-
 * info=su`.
 */

export interface CalledFunction {
  /** Bytes of stack; `undefined`: not compiled here. */
  bytes: number | undefined;
  readonly calls: Set<string>;
}

/** By name; that of a function which is internal to a file has the file before it. */
export type CallGraph = ReadonlyMap<string, CalledFunction>;

/** A function in a chain of calls. */
export interface Frame {
  readonly name: string;
  readonly bytes: number;
}

/** How the compiler names what is called through a pointer. */
const INDIRECT = "__indirect_call";

/**
 * @param files - contents of the `.ci` files of a library
 * @throws Error if a function's frame has no bound
 */
export function readCallGraph(files: readonly string[]): CallGraph {
  const graph = new Map<string, CalledFunction>();
  const at = (name: string) => {
    const known = graph.get(name) ?? { bytes: undefined, calls: new Set<string>() };
    graph.set(name, known);
    return known;
  };
  for (const line of files.flatMap((text) => text.split("\n"))) {
    const node = /^node: \{ title: "([^"]+)" label: "([^"]*)"/.exec(line);
    const edge = /^edge: \{ sourcename: "([^"]+)" targetname: "([^"]+)"/.exec(line);
    if (edge) at(edge[1]!).calls.add(edge[2]!);
    const frame = /(\d+) bytes \((.+)\)$/.exec(node?.[2] ?? "");
    if (!node || !frame) continue;
    if (!frame[2]!.startsWith("static")) throw new Error(`${node[1]} has a frame without a bound.`);
    at(node[1]!).bytes = Number(frame[1]);
  }
  return graph;
}

/**
 * The chain of calls that takes the most stack.
 * @param behindPointer - what is at the other side of a call through a pointer
 * @throws Error if functions call each other in a circle: their stack has no bound
 */
export function deepestChain(
  graph: CallGraph,
  entries: readonly string[],
  behindPointer: readonly Frame[],
): readonly Frame[] {
  const known = new Map<string, readonly Frame[]>([[INDIRECT, behindPointer]]);
  const from = (name: string, path: readonly string[]): readonly Frame[] => {
    const before = known.get(name);
    if (before) return before;
    if (path.includes(name)) throw new Error(`A circle of calls: ${[...path, name].join(" > ")}`);
    const called = graph.get(name);
    const below = [...(called?.calls ?? [])].map((next) => from(next, [...path, name]));
    const chain = [{ name: shortName(name), bytes: called?.bytes ?? 0 }, ...deepest(below)];
    known.set(name, chain);
    return chain;
  };
  return deepest(entries.map((name) => from(name, [])));
}

function deepest(chains: readonly (readonly Frame[])[]): readonly Frame[] {
  const total = (chain: readonly Frame[]) => chain.reduce((sum, { bytes }) => sum + bytes, 0);
  return chains.reduce((most, chain) => (total(chain) > total(most) ? chain : most), []);
}

function shortName(name: string): string {
  return name.slice(name.lastIndexOf(":") + 1);
}
