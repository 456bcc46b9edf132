import { announcement } from "../state/announcer.js";
import { dismissTrouble, shownSides, troubles } from "../state/lab.js";
import { runNow } from "../state/runs.js";
import { Icon } from "./Icon.js";

/** What went wrong, in sentences, each until it is put away. */
export function Troubles() {
  const failed = shownSides.value.flatMap((side) => {
    const status = side.status.value;
    if (status.kind === "failed") return [{ side, text: status.text }];
    return status.kind === "stopped" ? [{ side, text: "The run was stopped." }] : [];
  });
  return (
    <div class="troubles" role="alert">
      {failed.map(({ side, text }) => (
        <p key={side.name}>
          {shownSides.value.length > 1 ? `Setting ${side.name}: ` : ""}
          {text}{" "}
          <button type="button" onClick={() => void runNow([side])}>
            Run again
          </button>
        </p>
      ))}
      {troubles.value.map((sentence) => (
        <p key={sentence}>
          {sentence}{" "}
          <button
            type="button"
            aria-label="Put this note away"
            onClick={() => dismissTrouble(sentence)}
          >
            <Icon name="close" />
          </button>
        </p>
      ))}
    </div>
  );
}

/** For screen readers only. */
export function LiveRegion() {
  return (
    <p class="unseen" role="status" aria-live="polite">
      {announcement.value}
    </p>
  );
}
