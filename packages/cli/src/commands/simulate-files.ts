import type { FileHandle } from "node:fs/promises";
import { open } from "node:fs/promises";
import { resolve } from "node:path";
import { fileProblem } from "../explain-error.js";
import { usageProblem } from "../problem.js";

/** The options of `fardel simulate` that say where results go besides the table. */
export interface ResultOptions {
  readonly csv?: string;
  readonly html?: string;
  readonly json?: boolean;
}

/**
 * Refuses results that would run into each other.
 * @throws Problem `usage`
 */
export function checkResultOptions({ csv, html, json }: ResultOptions): void {
  const wanting = [
    ...(csv === "-" ? ["--csv -"] : []),
    ...(html === "-" ? ["--html -"] : []),
    ...(json ? ["--json"] : []),
  ];
  if (wanting.length > 1) {
    const option = wanting[0]!.split(" ")[0];
    throw usageProblem(
      `${wanting.slice(0, 2).join(" and ")} both want standard output. Give ${option} a file.`,
    );
  }
  if (csv !== undefined && csv !== "-" && html !== undefined && resolve(csv) === resolve(html)) {
    throw usageProblem("--csv and --html name the same file. Give each a file of its own.");
  }
}

/** Files for results, open before the work, so that a wrong path does not cost it. */
export class ResultFiles {
  readonly #csv: ResultFile | undefined;
  readonly #html: ResultFile | undefined;

  private constructor(csv: ResultFile | undefined, html: ResultFile | undefined) {
    this.#csv = csv;
    this.#html = html;
  }

  /** @throws Problem `file` - one of them cannot be written; the other is closed again */
  static async open({ csv, html }: ResultOptions): Promise<ResultFiles> {
    const first = await ResultFile.open(csv);
    try {
      return new ResultFiles(first, await ResultFile.open(html));
    } catch (error) {
      await first?.close();
      throw error;
    }
  }

  /** Does nothing unless the file was asked for. */
  async writeCsv(text: () => string): Promise<void> {
    await this.#csv?.write(text());
  }

  /** Does nothing unless the file was asked for. */
  async writeHtml(text: () => Promise<string>): Promise<void> {
    if (this.#html) await this.#html.write(await text());
  }

  async close(): Promise<void> {
    await this.#csv?.close();
    await this.#html?.close();
  }
}

class ResultFile {
  readonly #path: string;
  readonly #handle: FileHandle;

  private constructor(path: string, handle: FileHandle) {
    this.#path = path;
    this.#handle = handle;
  }

  /** @param path - left out, or `-` for standard output: there is no file */
  static async open(path: string | undefined): Promise<ResultFile | undefined> {
    if (path === undefined || path === "-") return undefined;
    try {
      return new ResultFile(path, await open(path, "w"));
    } catch (error) {
      throw fileProblem(path, error);
    }
  }

  async write(text: string): Promise<void> {
    try {
      await this.#handle.writeFile(text);
    } catch (error) {
      throw fileProblem(this.#path, error);
    }
  }

  async close(): Promise<void> {
    await this.#handle.close();
  }
}
