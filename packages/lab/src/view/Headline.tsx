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
          const { goodputBytesPerS, efficiency } = record.figures;
          return (
            <p key={side.name} class={`ending ${record.outcome}`}>
              {isComparing.value && <b>Setting {side.name}: </b>}
              {record.ending} It took {timeText(record.figures.elapsedUs)},{" "}
              {rateText(goodputBytesPerS)}
              {efficiency === undefined
                ? ""
                : `, ${shareText(efficiency)} of what the channel can carry`}
              .
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

function title(): string {
  if (isComparing.value) return "Two settings, one seed";
  const record = shownRecords.value[0]?.record;
  if (record?.settings === undefined) return "A recording";
  const { boards, load } = record.settings;
  const what = boards === 1 ? "One blob" : `${boards} blobs`;
  return load.direction === "push" ? `${what} over a lossy link` : `${what} back over a lossy link`;
}
