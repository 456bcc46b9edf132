import type { RunFigures, RunRecord } from "../run/record.js";
import { shownRecords } from "../state/lab.js";
import { bytesText, grouped, rateText, shareText, timeText } from "../words/quantities.js";
import type { Term } from "../words/terms.js";
import { Hint } from "./Hint.js";

interface FigureRow {
  readonly name: string;
  readonly term?: Term;
  readonly text: (figures: RunFigures, record: RunRecord) => string;
}

const ROWS: readonly FigureRow[] = [
  { name: "Time taken", text: ({ elapsedUs }) => timeText(elapsedUs) },
  { name: "Delivered", text: ({ deliveredBytes }) => bytesText(deliveredBytes) },
  {
    name: "Goodput",
    term: "goodput",
    text: ({ goodputBytesPerS }) => rateText(goodputBytesPerS),
  },
  {
    name: "Limit of the channel",
    term: "limit",
    text: ({ limitBytesPerS }) =>
      limitBytesPerS === undefined ? "unknown" : rateText(limitBytesPerS),
  },
  {
    name: "Efficiency",
    term: "efficiency",
    text: ({ efficiency }) => (efficiency === undefined ? "unknown" : shareText(efficiency)),
  },
  {
    name: "Datagrams on air",
    term: "datagram",
    text: ({ datagramsOnAir }) => grouped(datagramsOnAir),
  },
  {
    name: "of them lost",
    text: ({ datagramsLost, datagramsOnAir }) =>
      `${grouped(datagramsLost)} (${shareText(datagramsLost / datagramsOnAir)})`,
  },
  {
    name: "Fragments",
    term: "fragment",
    text: ({ fragmentsSent }) => grouped(fragmentsSent),
  },
  {
    name: "sent again",
    text: ({ fragmentsRepeated, fragmentsSent }) =>
      `${grouped(fragmentsRepeated)} (${shareText(fragmentsRepeated / (fragmentsSent + fragmentsRepeated))} of all sendings)`,
  },
  {
    name: "Time on air",
    term: "airtime",
    text: ({ airtimeUs }, { endUs }) => `${timeText(airtimeUs)} (${shareText(airtimeUs / endUs)})`,
  },
  { name: "Commands, median", text: ({ commandTimesUs }) => medianText(commandTimesUs) },
];

/** What the runs come to, one column for each. */
export function Figures() {
  const shown = shownRecords.value;
  const rows = ROWS.filter(
    ({ name }) =>
      !name.startsWith("Commands") ||
      shown.some(({ record }) => record.figures.commandTimesUs.length > 0),
  );
  return (
    <table class="figures">
      <caption class="unseen">What the run comes to</caption>
      {shown.length > 1 && (
        <thead>
          <tr>
            <th scope="col">Figure</th>
            {shown.map(({ side }) => (
              <th key={side.name} scope="col">
                Setting {side.name}
              </th>
            ))}
          </tr>
        </thead>
      )}
      <tbody>
        {rows.map(({ name, term, text }) => (
          <tr key={name}>
            <th scope="row">
              {name} {term !== undefined && <Hint term={term} />}
            </th>
            {shown.map(({ side, record }) => (
              <td key={side.name}>{text(record.figures, record)}</td>
            ))}
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function medianText(timesUs: readonly number[]): string {
  if (timesUs.length === 0) return "none arrived";
  const sorted = [...timesUs].sort((a, b) => a - b);
  return `${timeText(sorted[Math.floor(sorted.length / 2)] ?? Number.NaN)} (${grouped(timesUs.length)} of them)`;
}
