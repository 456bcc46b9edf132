import { computed, useComputed } from "@preact/signals";
import { useMemo } from "preact/hooks";
import { goodputOption } from "../../charts/goodput.js";
import { sequenceOption } from "../../charts/sequence.js";
import { transferOf } from "../../picture/record-index.js";
import type { RunRecord } from "../../run/record.js";
import { shownRecords } from "../../state/lab.js";
import { pickedBoard } from "../../state/selection.js";
import { calmSpan } from "../../state/span.js";
import { isNarrowPage, palette } from "../../state/theme.js";
import { counted, rateText } from "../../words/quantities.js";
import type { SidePictureProps } from "../AirPanel.js";
import { Chart } from "./Chart.js";
import { NowLine } from "./NowLine.js";

/** Fragment against time, for the chosen board. */
export function SequenceChart({ record }: Pick<SidePictureProps, "record">) {
  const transfer = transferOf(record, pickedBoard.value);
  if (transfer === undefined) return <p class="soft">This board has no blob in this run.</p>;
  return <SequenceOf record={record} board={pickedBoard.value} />;
}

function SequenceOf({ record, board }: { record: RunRecord; board: number }) {
  const transfer = transferOf(record, board)!;
  const option = useMemo(
    () =>
      computed(() =>
        sequenceOption(record, transfer, calmSpan.value, palette.value, isNarrowPage.value),
      ),
    [record, transfer],
  );
  const repeats = transfer.sends.isRepeat.reduce((sum, isRepeat) => sum + isRepeat, 0);
  const label = `Fragments of ${record.stations[board]?.name ?? "the board"} against time: ${counted(transfer.fragmentCount, "fragment")}, ${counted(repeats, "repeat")}. Each line upwards is a burst of sendings; the window's edges run above and below.`;
  return (
    <Chart label={label} height={300} option={option}>
      <NowLine />
    </Chart>
  );
}

/** Goodput of all that is shown, in one chart. */
export function GoodputChart() {
  const option = useComputed(() => {
    const shown = shownRecords.value;
    return goodputOption(
      shown.map(({ side, record }) => ({ name: shown.length > 1 ? side.name : "", record })),
      calmSpan.value,
      palette.value,
      isNarrowPage.value,
    );
  });
  const label = shownRecords.value
    .map(({ side, record: { figures } }) => {
      const limit =
        figures.limitBytesPerS === undefined
          ? "an unknown limit"
          : rateText(figures.limitBytesPerS);
      return `Setting ${side.name}: ${rateText(figures.goodputBytesPerS)} in the mean, against ${limit}`;
    })
    .join(". ");
  return (
    <Chart label={`Goodput over time. ${label}.`} height={300} option={option}>
      <NowLine />
    </Chart>
  );
}
