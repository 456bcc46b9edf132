import type { RunFigures } from "../run/record.js";
import { isKeyHelpOpen } from "../state/keyboard.js";
import { isComparing, shownRecords } from "../state/lab.js";
import { startTour } from "../state/tour.js";
import { rateText, shareText, timeText } from "../words/quantities.js";
import { ExportMenu } from "./ExportMenu.js";

/** What became of the run, in one sentence for each setting; and where a newcomer begins. */
export function Headline() {
  return (
    <div class="headline">
      <div>
        <h1>{title()}</h1>
        {shownRecords.value.map(({ side, record }) => {
          return (
            <p key={side.name} class={`ending ${record.outcome}`}>
              {isComparing.value && <b>Setting {side.name}: </b>}
              {record.ending}
              {record.settings === undefined && " “Run” goes back to the simulation."}
              {record.figures.deliveredBytes > 0 && paceSentence(record.figures)}
            </p>
          );
        })}
      </div>
      <div class="headline-tools">
        <button type="button" class="primary" onClick={startTour}>
          What am I seeing?
        </button>
        <button
          type="button"
          onClick={() => {
            isKeyHelpOpen.value = true;
          }}
        >
          Keys
        </button>
        <ExportMenu />
      </div>
    </div>
  );
}

function paceSentence({ elapsedUs, goodputBytesPerS, efficiency }: RunFigures): string {
  const share =
    efficiency === undefined ? "" : `, ${shareText(efficiency)} of what the channel can carry`;
  return ` It took ${timeText(elapsedUs)}, ${rateText(goodputBytesPerS)}${share}.`;
}

function title(): string {
  if (isComparing.value) return "Two settings, one seed";
  const record = shownRecords.value[0]?.record;
  if (record?.settings === undefined) return "A recording";
  const { boards, load } = record.settings;
  const what = boards === 1 ? "One blob" : `${boards} blobs`;
  return load.direction === "push" ? `${what} over a lossy link` : `${what} back over a lossy link`;
}
