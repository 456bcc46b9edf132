import { isComparing, shownSides } from "../../state/lab.js";
import { compare, runNow } from "../../state/runs.js";

/** Run, stop, compare; and how far a run is that takes its time. */
export function RunButtons() {
  const running = shownSides.value.filter((side) => side.status.value.kind === "running");
  return (
    <div class="run-buttons">
      {running.length === 0 ? (
        <button type="submit" class="primary">
          Run
        </button>
      ) : (
        <button
          type="button"
          onClick={() => {
            for (const side of running) side.stop();
          }}
        >
          Stop
        </button>
      )}
      <button type="button" onClick={() => compare(!isComparing.value)}>
        {isComparing.value ? "End the comparison" : "Compare with a second setting"}
      </button>
      {running.map((side) => (
        <RunProgress key={side.name} name={side.name} status={side.status.value} />
      ))}
      <p class="field-hint">
        A change runs by itself.{" "}
        <button type="button" class="link" onClick={() => void runNow()}>
          Run again now
        </button>
      </p>
    </div>
  );
}

function RunProgress({ name, status }: { name: string; status: { kind: string; share?: number } }) {
  const share = status.share ?? 0;
  return (
    <progress
      max={1}
      value={share}
      aria-label={isComparing.value ? `Progress of setting ${name}` : "Progress of the run"}
    />
  );
}
