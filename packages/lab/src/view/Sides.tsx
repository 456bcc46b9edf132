import type { ComponentChildren } from "preact";
import type { RunRecord } from "../run/record.js";
import { shownRecords } from "../state/lab.js";
import type { Side } from "../state/side.js";

/** The same view for each setting that is shown, side by side if there is room. */
export function Sides({
  children,
}: {
  children: (side: Side, record: RunRecord) => ComponentChildren;
}) {
  const shown = shownRecords.value;
  return (
    <div class={shown.length > 1 ? "sides two" : "sides"}>
      {shown.map(({ side, record }) => (
        <div key={side.name} class="side">
          {shown.length > 1 && <h3 class="side-name">Setting {side.name}</h3>}
          {children(side, record)}
        </div>
      ))}
    </div>
  );
}
