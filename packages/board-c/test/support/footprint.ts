import { spawnSync } from "node:child_process";
import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { deepestChain, type Frame, readCallGraph } from "./call-graph.js";

const ROOT = fileURLToPath(new URL("../..", import.meta.url));

/** What is measured. */
export interface Library {
  readonly name: string;
  /** Constants of the build. */
  readonly defines?: readonly string[];
  /** Below `src`: files, or folders with all of their files. */
  readonly sources: readonly string[];
  /** What these call, and the endpoint has already: it counts for the stack alone. */
  readonly shared?: readonly string[];
  /** Where it is measured; default: on all processors. */
  readonly processors?: readonly string[];
  /** C that says how many bytes of memory the application gives. */
  readonly memory: string;
  /** The function for people's eyes, which a program that does not call it does not hold. */
  readonly text: string;
  /** What an application may call from within a callback. */
  readonly reentry: string;
}

const ENDPOINT: Library = {
  name: "endpoint",
  sources: ["checksum.c", "endpoint"],
  memory: '#include "fardel/fardel.h"\nchar memory[FARDEL_BYTES(250, 1, 7)];\n',
  text: "fardel_text",
  reentry: "fardel_send",
};

/** Discovery and pairing, with the record of keys. */
const PAIRING: Library = {
  name: "pairing",
  sources: ["pairing", "crypto"],
  shared: ["checksum.c", "endpoint/wire.c"],
  memory:
    '#include "fardel/keys.h"\n#include "fardel/pairing.h"\nchar memory[sizeof(fardel_pairing) + sizeof(fardel_keys)];\n',
  text: "fardel_pairing_text",
  reentry: "fardel_pairing_right",
};

const WAYS = ["cable", "code", "compare", "renew"];

/** One way of pairing alone. */
function pairingBy(way: string): Library {
  const defines = WAYS.flatMap((each) =>
    each === way ? [] : [`FARDEL_PAIRING_${each.toUpperCase()}=0`],
  );
  return { ...PAIRING, name: `pairing, ${way}`, defines, processors: ["Cortex-M0"] };
}

/**
 * The endpoint: datagrams of 250 bytes, one peer, a window of 8. The bridge: as examples/bridge.c.
 */
export const LIBRARIES: readonly Library[] = [
  ENDPOINT,
  { ...ENDPOINT, name: "endpoint, small", defines: ["FARDEL_SMALL", "FARDEL_ONE_PEER"] },
  {
    ...ENDPOINT,
    name: "endpoint, protected",
    sources: [...ENDPOINT.sources, "crypto"],
    defines: ["FARDEL_PROTECTED"],
  },
  PAIRING,
  ...WAYS.map(pairingBy),
  {
    name: "bridge",
    sources: ["checksum.c", "bridge"],
    memory:
      '#include "fardel/bridge.h"\nchar memory[FARDEL_BRIDGE_BYTES(250, 6, 4, 20, 8, 202)];\n',
    text: "fardel_bridge_text",
    reentry: "fardel_bridge_outcome",
  },
];

/** For what it is measured: a compiler, and its options. */
export interface Processor {
  readonly name: string;
  /** Before `gcc`, `size`, `nm`. */
  readonly tools: string;
  readonly options: readonly string[];
}

export const PROCESSORS: readonly Processor[] = [
  { name: "Cortex-M0", tools: "arm-none-eabi-", options: ["-mcpu=cortex-m0", "-mthumb"] },
  { name: "Cortex-M3", tools: "arm-none-eabi-", options: ["-mcpu=cortex-m3", "-mthumb"] },
  {
    name: "RV32IMC",
    tools: "riscv64-unknown-elf-",
    options: ["-march=rv32imc", "-mabi=ilp32"],
  },
];

export interface Footprint {
  /** Instructions and constants of all functions, sentences not. */
  readonly codeBytes: number;
  /** The sentences, and the function that gives them. */
  readonly textBytes: number;
  /** What the application gives when it opens one. */
  readonly memoryBytes: number;
  /** Of the deepest chain of calls, callbacks and interrupts not. */
  readonly stackBytes: number;
  /** The same if callbacks call {@link Library.reentry}; what they take themselves not. */
  readonly stackWithCallbacksBytes: number;
  /** That chain, the outermost function first. */
  readonly chain: readonly Frame[];
}

/**
 * What the four functions of the C library and those of the compiler may take at the end of any
 * chain, bytes: `memcpy` of a small C library saves five registers.
 */
const C_LIBRARY: Frame = { name: "(C library)", bytes: 24 };

const OPTIONS = [
  ...["-Os", "-std=c99", "-ffreestanding", "-ffunction-sections", "-fdata-sections"],
  ...["-fno-asynchronous-unwind-tables", "-fstack-usage", "-fcallgraph-info=su"],
  ...["-isystem", join(ROOT, "test/harness/freestanding"), "-I", join(ROOT, "include")],
];

/** @throws Error if it cannot be compiled, or if its stack has no bound */
export function measure(library: Library, processor: Processor): Footprint {
  const folder = mkdtempSync(join(tmpdir(), "fardel-footprint-"));
  try {
    return measureIn(folder, library, processor);
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

function measureIn(folder: string, library: Library, processor: Processor): Footprint {
  const run = (tool: string, args: readonly string[]) =>
    runIn(folder, processor.tools + tool, args);
  const defines = (library.defines ?? []).map((define) => `-D${define}`);
  const options = [...processor.options, ...OPTIONS, ...defines];
  run("gcc", [...options, "-c", ...sourcesOf(library.sources)]);
  const objects = filesIn(folder, ".o");
  const shared = sourcesOf(library.shared ?? []);
  if (shared.length > 0) run("gcc", [...options, "-c", ...shared]);
  const sections = objects.flatMap((object) => sectionsOf(run("size", ["-A", object])));
  const isText = ({ name }: Section) =>
    name.endsWith(`.${library.text}`) || /\.rodata.*\.str/.test(name);
  const sum = (some: readonly Section[]) =>
    some.reduce((bytes, section) => bytes + section.bytes, 0);
  const variables = sections.filter(({ name }) => /^\.(data|bss)/.test(name));
  if (sum(variables) > 0) throw new Error(`The ${library.name} has variables of its own.`);
  const kept = sections.filter(({ name }) => /^\.(text|rodata)/.test(name));
  const graph = readCallGraph(
    filesIn(folder, ".ci").map((file) => readFileSync(join(folder, file), "utf8")),
  );
  const entries = [...graph.keys()].filter((name) => name.startsWith("fardel_"));
  const alone = deepestChain(graph, entries, []);
  // A callback within that call is one level deeper than an application need go.
  const again = [{ name: "(callback)", bytes: 0 }, ...deepestChain(graph, [library.reentry], [])];
  const chain = [...deepestChain(graph, entries, again), C_LIBRARY];
  writeFileSync(join(folder, "memory.c"), library.memory);
  run("gcc", [...options, "-c", "memory.c"]);
  const memory = sectionsOf(run("size", ["-A", "memory.o"])).filter(({ name }) =>
    /^\.bss/.test(name),
  );
  return {
    codeBytes: sum(kept.filter((section) => !isText(section))),
    textBytes: sum(kept.filter(isText)),
    memoryBytes: sum(memory),
    stackBytes: stackOf([...alone, C_LIBRARY]),
    stackWithCallbacksBytes: stackOf(chain),
    chain,
  };
}

function stackOf(chain: readonly Frame[]): number {
  return chain.reduce((bytes, frame) => bytes + frame.bytes, 0);
}

function sourcesOf(sources: readonly string[]): string[] {
  return sources.flatMap((name) => {
    const path = join(ROOT, "src", name);
    return name.endsWith(".c") ? [path] : filesIn(path, ".c").map((file) => join(path, file));
  });
}

function filesIn(folder: string, ending: string): string[] {
  return readdirSync(folder)
    .filter((name) => name.endsWith(ending))
    .sort();
}

interface Section {
  readonly name: string;
  readonly bytes: number;
}

function sectionsOf(listing: string): Section[] {
  return [...listing.matchAll(/^(\.\S+)\s+(\d+)\s+\d+$/gm)].map(([, name = "", bytes = ""]) => ({
    name,
    bytes: Number(bytes),
  }));
}

function runIn(folder: string, command: string, args: readonly string[]): string {
  const result = spawnSync(command, args, { cwd: folder, encoding: "utf8" });
  if (result.status !== 0)
    throw new Error(`${command} failed: ${result.error?.message ?? result.stderr}`);
  return result.stdout;
}
