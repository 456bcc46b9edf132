import { countUntil } from "../run/views.js";
import { announce } from "../state/announcer.js";
import { calmTimeUs, stepDatagram } from "../state/playback.js";
import { focusDetail, pickDatagram, pickedDatagram } from "../state/selection.js";
import { datagramSentence, factsOf } from "../words/datagram.js";
import { FATE_WORDS, KIND_WORDS } from "../words/kinds.js";
import { timeText } from "../words/quantities.js";
import type { SidePictureProps } from "./AirPanel.js";
import { KindMark } from "./Legend.js";

const BEFORE = 6;
const AFTER = 4;

/** The datagrams around the present instant: what the pictures show, as a table. */
export function DatagramTable({ side, record }: SidePictureProps) {
  const { startUs, count } = record.datagrams;
  const now = countUntil(startUs, calmTimeUs.value, count) - 1;
  const from = Math.max(0, Math.min(now - BEFORE + 1, count - BEFORE - AFTER));
  const rows = Array.from(
    { length: Math.min(BEFORE + AFTER, count - from) },
    (_, offset) => from + offset,
  );
  const picked = pickedDatagram.value;
  return (
    <div class="table-box">
      <table class="datagrams">
        <caption class="unseen">Datagrams around the present instant</caption>
        <thead>
          <tr>
            <th scope="col">No.</th>
            <th scope="col" class="number">
              Begins
            </th>
            <th scope="col">From</th>
            <th scope="col">To</th>
            <th scope="col">What</th>
            <th scope="col" class="number">
              Fragment
            </th>
            <th scope="col" class="number">
              Bytes
            </th>
            <th scope="col">Fate</th>
          </tr>
        </thead>
        <tbody>
          {rows.map((row) => {
            const facts = factsOf(record, row);
            const isPicked = picked?.side === side.name && picked.row === row;
            return (
              <tr
                key={row}
                class={`${row > now ? "to-come" : ""}${isPicked ? " picked" : ""}`}
                aria-current={row === now ? "true" : undefined}
              >
                <td>
                  <button
                    type="button"
                    class="link"
                    aria-label={`Datagram ${row + 1}: show its bytes`}
                    onClick={() => {
                      pickDatagram(side, row);
                      focusDetail.value++;
                      announce(datagramSentence(facts));
                    }}
                  >
                    {row + 1}
                  </button>
                </td>
                <td class="number">{timeText(facts.startUs)}</td>
                <td>{facts.from}</td>
                <td>{facts.to}</td>
                <td class="with-mark">
                  <KindMark kind={facts.kind} /> {KIND_WORDS[facts.kind].name}
                </td>
                <td class="number">{facts.fragment < 0 ? "" : facts.fragment + 1}</td>
                <td class="number">{facts.byteCount}</td>
                <td class={facts.fate === "delivered" ? "" : "bad"}>
                  {row > now ? "" : FATE_WORDS[facts.fate].name}
                </td>
              </tr>
            );
          })}
        </tbody>
      </table>
      <p class="table-foot">
        <button type="button" onClick={() => stepDatagram(-1)}>
          Earlier
        </button>{" "}
        <button type="button" onClick={() => stepDatagram(1)}>
          Later
        </button>
      </p>
    </div>
  );
}
