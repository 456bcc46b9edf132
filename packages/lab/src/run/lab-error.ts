/**
 * - `stopped`: the person stopped it
 * - `bad-settings`: a value is out of its range
 * - `no-file`: the load is a file, and there is none
 * - `not-a-recording`: a file that was to be shown is no recording, or holds nothing
 * - `worker-failed`: the background program ended, or cannot run here
 */
export type LabErrorCode =
  | "stopped"
  | "bad-settings"
  | "no-file"
  | "not-a-recording"
  | "worker-failed";

/** What went wrong, in a sentence for the person in front of the page. */
export class LabError extends Error {
  override readonly name = "LabError";

  constructor(
    readonly code: LabErrorCode,
    sentence: string,
  ) {
    super(sentence);
  }
}
