import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

const SCRIPT = fileURLToPath(
  new URL("../../packages/capture/dissector/fardel.lua", import.meta.url),
);
const OUTPUT_BYTES_MAX = 1 << 30;

/** A field as tshark reads it. */
export interface SharkField {
  readonly name: string;
  /** Where in the frame it lies. */
  readonly pos: number;
  readonly size: number;
  /** Its value as tshark shows it. */
  readonly show: string;
  /** Its bytes, hexadecimal; of some bits of a byte: their value. */
  readonly value: string;
}

/** One datagram of a capture, as tshark reads it. */
export type SharkDatagram = readonly SharkField[];

/**
 * What tshark prints about a capture.
 * @throws `Error` if it says that anything went wrong, above all in the script
 */
export function tshark(capture: Uint8Array, ...options: readonly string[]): string {
  const folder = mkdtempSync(join(tmpdir(), "fardel-tshark-"));
  try {
    const file = join(folder, "capture.pcapng");
    writeFileSync(file, capture);
    const args = ["-X", `lua_script:${SCRIPT}`, "-r", file, ...options];
    // A folder of its own, so that no settings of a person count.
    const env = { ...process.env, HOME: folder, XDG_CONFIG_HOME: folder };
    const { status, stdout, stderr } = spawnSync("tshark", args, {
      env,
      encoding: "utf8",
      maxBuffer: OUTPUT_BYTES_MAX,
    });
    const trouble = /lua/i.test(stderr) || /Lua Error/.test(stdout);
    if (status !== 0 || trouble) throw new Error(`tshark ended with ${status}: ${stderr}`);
    return stdout;
  } finally {
    rmSync(folder, { recursive: true });
  }
}

/** Every field of every datagram. */
export function readWithTshark(capture: Uint8Array): SharkDatagram[] {
  const lines = tshark(capture, "-T", "pdml").split("\n");
  const datagrams: SharkField[][] = [];
  for (const line of lines) {
    if (line.startsWith("<packet>")) datagrams.push([]);
    const field = /<field name="([^"]*)"(.*?)\/?>$/.exec(line);
    if (!field) continue;
    const [, name = "", attributes = ""] = field;
    const of = (attribute: string) =>
      unescaped(new RegExp(` ${attribute}="([^"]*)"`).exec(attributes)?.[1] ?? "");
    datagrams.at(-1)?.push({
      name,
      pos: Number(of("pos")),
      size: Number(of("size")),
      show: of("show"),
      value: of("value"),
    });
  }
  return datagrams;
}

/** The first field of this name. */
export function fieldOf(datagram: SharkDatagram, name: string): string | undefined {
  return datagram.find((field) => field.name === name)?.show;
}

const ENTITIES: Readonly<Record<string, string>> = { lt: "<", gt: ">", amp: "&", quot: '"' };

function unescaped(text: string): string {
  return text.replace(/&(?:#x([0-9a-f]+)|(\w+));/gi, (whole, code, name) =>
    code ? String.fromCodePoint(Number.parseInt(code, 16)) : (ENTITIES[name] ?? whole),
  );
}
