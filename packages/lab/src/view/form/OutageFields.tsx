import type { LabSettings } from "../../run/settings.js";
import { editedSide } from "../../state/lab.js";
import { endUs } from "../../state/playback.js";
import { change } from "../../state/runs.js";
import { Hint } from "../Hint.js";

const OUTAGES_MAX = 20;

/** Times in which nothing gets through, each from a second to a second. */
export function OutageFields() {
  const side = editedSide.value;
  const settings = side.settings.value;
  const put = (outagesS: LabSettings["outagesS"]): void => change(side, { ...settings, outagesS });
  return (
    <div class="field outages">
      <p class="field-label">
        Outages <Hint term="outage" />
      </p>
      <ul>
        {settings.outagesS.map(([fromS, toS], index) => (
          <li key={index}>
            <OutageEdge
              label={`Outage ${index + 1} from, seconds`}
              value={fromS}
              put={(value) =>
                put(replaced(settings.outagesS, index, [value, Math.max(value, toS)]))
              }
            />
            <span>to</span>
            <OutageEdge
              label={`Outage ${index + 1} to, seconds`}
              value={toS}
              put={(value) =>
                put(replaced(settings.outagesS, index, [Math.min(fromS, value), value]))
              }
            />
            <span class="unit">s</span>
            <button
              type="button"
              aria-label={`Remove outage ${index + 1}`}
              onClick={() => put(settings.outagesS.filter((_, other) => other !== index))}
            >
              ×
            </button>
          </li>
        ))}
      </ul>
      <button
        type="button"
        disabled={settings.outagesS.length >= OUTAGES_MAX}
        onClick={() => put([...settings.outagesS, nextOutage(settings.outagesS)])}
      >
        Add an outage
      </button>
    </div>
  );
}

function OutageEdge({
  label,
  value,
  put,
}: {
  label: string;
  value: number;
  put: (value: number) => void;
}) {
  return (
    <input
      type="number"
      aria-label={label}
      min={0}
      max={3_600}
      step="any"
      value={value}
      onChange={(event) => {
        const next = event.currentTarget.valueAsNumber;
        if (Number.isFinite(next) && next >= 0) put(Math.min(next, 3_600));
        else event.currentTarget.value = String(value);
      }}
    />
  );
}

function replaced(
  outages: LabSettings["outagesS"],
  index: number,
  outage: readonly [number, number],
): LabSettings["outagesS"] {
  return outages.map((old, other) => (other === index ? outage : old));
}

/** Somewhere in the run, behind the ones that are there: a fifth of the run, from a third on. */
function nextOutage(outages: LabSettings["outagesS"]): readonly [number, number] {
  const endS = Math.max(endUs.value / 1_000_000, 0.1);
  const last = outages.at(-1);
  const fromS = last === undefined ? endS / 3 : last[1] + endS / 10;
  return [rounded(fromS), rounded(fromS + endS / 5)];
}

function rounded(seconds: number): number {
  return Number(seconds.toPrecision(2));
}
