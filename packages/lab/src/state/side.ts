import { signal } from "@preact/signals";
import type { RunRecord } from "../run/record.js";
import type { LabSettings } from "../run/settings.js";
import { engine } from "./engine.js";

export type SideName = "A" | "B";

export type RunStatus =
  | { readonly kind: "idle" }
  | { readonly kind: "running"; readonly share: number }
  | { readonly kind: "stopped" }
  | { readonly kind: "failed"; readonly text: string };

/** One of the two settings that can be compared, and the run that came of it. */
export class Side {
  readonly settings;
  /** Stays until the next run is there, so that the page never goes blank. */
  readonly record = signal<RunRecord | undefined>(undefined);
  readonly status = signal<RunStatus>({ kind: "idle" });
  #running: AbortController | undefined;

  constructor(
    readonly name: SideName,
    settings: LabSettings,
  ) {
    this.settings = signal(settings);
  }

  /** Runs what is set; one that still runs is given up. @returns whether it came to a record */
  async run(file: Uint8Array | undefined): Promise<boolean> {
    this.#running?.abort();
    const running = new AbortController();
    this.#running = running;
    this.status.value = { kind: "running", share: 0 };
    try {
      const record = await engine.run(runnable(this.settings.peek(), file), {
        file,
        signal: running.signal,
        onProgress: (share) => {
          if (this.#running === running) this.status.value = { kind: "running", share };
        },
      });
      if (this.#running !== running) return false;
      this.record.value = record;
      this.status.value = { kind: "idle" };
      return true;
    } catch (error) {
      if (this.#running !== running) return false;
      this.status.value = running.signal.aborted
        ? { kind: "stopped" }
        : { kind: "failed", text: error instanceof Error ? error.message : String(error) };
      return false;
    }
  }

  /** Gives up the run that is under way; what was shown before stays. */
  stop(): void {
    this.#running?.abort();
  }

  /** Shows a recording in place of a run. */
  show(record: RunRecord): void {
    this.#running?.abort();
    this.#running = undefined;
    this.status.value = { kind: "idle" };
    this.record.value = record;
  }
}

/** The file of an address that was passed on is not in it: bytes that are made up go in its place. */
export function runnable(settings: LabSettings, file: Uint8Array | undefined): LabSettings {
  if (settings.load.source !== "file" || file !== undefined) return settings;
  return { ...settings, load: { ...settings.load, source: "bytes" } };
}
