import type { LabErrorCode } from "../run/lab-error.js";
import type { RunRecord } from "../run/record.js";
import type { LabSettings } from "../run/settings.js";
import type { SweepRecord } from "../run/sweep.js";

/** What the page asks of the worker. `job` numbers what belongs together. */
export type Order =
  | {
      readonly type: "run";
      readonly job: number;
      readonly settings: LabSettings;
      readonly file: Uint8Array | undefined;
    }
  | {
      readonly type: "sweep";
      readonly job: number;
      readonly settings: LabSettings;
      readonly file: Uint8Array | undefined;
      readonly seeds: number;
    }
  | { readonly type: "stop"; readonly job: number };

/** What the worker tells. Each job ends with one of the last three. */
export type Answer =
  | { readonly type: "progress"; readonly job: number; readonly share: number }
  | {
      readonly type: "seed-done";
      readonly job: number;
      readonly share: number;
      readonly timeUs: number;
    }
  | { readonly type: "run-done"; readonly job: number; readonly record: RunRecord }
  | { readonly type: "sweep-done"; readonly job: number; readonly sweep: SweepRecord }
  | {
      readonly type: "failed";
      readonly job: number;
      readonly code: LabErrorCode;
      readonly sentence: string;
    };
