import { readFileSync } from "node:fs";
import { build, type Defines, type HarnessName } from "./build.js";
import { BUFFER_BYTES, type CProgram, checkCall, type Told } from "./c-program.js";

/** What is used of the JavaScript API of WebAssembly; no library of types here brings it. */
interface Wasm {
  Module: new (bytes: Uint8Array) => object;
  Instance: new (
    module: object,
    imports: Record<string, Record<string, (...ints: number[]) => number>>,
  ) => { readonly exports: Readonly<Record<string, unknown>> };
}

const { WebAssembly } = globalThis as unknown as { WebAssembly: Wasm };
const modules = new Map<string, object>();

/** A harness as WebAssembly, in a memory of its own. */
export function wasmProgram(harness: HarnessName, defines: Defines = []): CProgram {
  return new WasmProgram(moduleOf(harness, defines));
}

function moduleOf(harness: HarnessName, defines: Defines): object {
  const key = [harness, ...defines].join(" ");
  const known = modules.get(key);
  if (known) return known;
  const module = new WebAssembly.Module(readFileSync(build(harness, "wasm", defines)));
  modules.set(key, module);
  return module;
}

type Functions = Readonly<Record<string, (...ints: readonly number[]) => number>>;

class WasmProgram implements CProgram {
  readonly isUsable = true;
  readonly #functions: Functions;
  readonly #buffer: ArrayBuffer;
  readonly #stack: { value: number };
  readonly #input: Uint8Array;
  readonly #answer: Uint8Array;
  #told: Told = () => 0;

  constructor(module: object) {
    const tell = (what = 0, number = 0, value = 0, at = 0, count = 0) =>
      this.#tell(what, number, value, at, count);
    const { exports } = new WebAssembly.Instance(module, { env: { tell } });
    this.#functions = exports as Functions;
    this.#stack = exports.__stack_pointer as { value: number };
    // The memory never grows, so that its buffer stays what it is.
    this.#buffer = (exports.memory as { readonly buffer: ArrayBuffer }).buffer;
    this.#input = this.#bufferAt("harness_input_at");
    this.#answer = this.#bufferAt("harness_answer_at");
  }

  call(told: Told, name: string, ints: readonly number[], bytes?: Uint8Array): number {
    checkCall(ints, bytes);
    const run = this.#functions[name];
    if (!run) throw new Error(`The harness has no function ${name}.`);
    if (bytes) this.#input.set(bytes);
    const before = this.#told;
    const stack = this.#stack.value;
    this.#told = told;
    try {
      return run(...ints);
    } finally {
      this.#told = before;
      // What throws in a callback leaves the functions of the harness without their ends.
      this.#stack.value = stack;
    }
  }

  close(): void {}

  #bufferAt(name: string): Uint8Array {
    return new Uint8Array(this.#buffer, this.#functions[name]?.(), BUFFER_BYTES);
  }

  #tell(what: number, number: number, value: number, at: number, count: number): number {
    const bytes = new Uint8Array(this.#buffer, at, count).slice();
    const answer = this.#told(what, value, bytes, number);
    if (typeof answer === "number") return answer;
    this.#answer.set(answer);
    return answer.length;
  }
}
