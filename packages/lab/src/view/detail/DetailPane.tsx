import { dissectDatagram } from "@fardel/core/wire";
import { useSignal } from "@preact/signals";
import { useEffect, useMemo, useRef } from "preact/hooks";
import type { RunRecord } from "../../run/record.js";
import { pause, seek } from "../../state/playback.js";
import { focusDetail, pickedDatagram, pickedRecord } from "../../state/selection.js";
import type { SideName } from "../../state/side.js";
import {
  bytesOf,
  datagramSentence,
  datagramTimes,
  factsOf,
  lossSentence,
} from "../../words/datagram.js";
import { FATE_WORDS, KIND_WORDS } from "../../words/kinds.js";
import { Icon } from "../Icon.js";
import { KindMark } from "../Legend.js";
import { FieldTable } from "./FieldTable.js";
import { HexBytes } from "./HexBytes.js";

/** A stretch of bytes under the pointer or the focus: `[from, to)`. */
export interface MarkedBytes {
  readonly from: number;
  readonly to: number;
}

/** The chosen datagram: its bytes, and every field in words. */
export function DetailPane() {
  const picked = pickedRecord.value;
  const side = pickedDatagram.value?.side;
  if (picked === undefined || side === undefined) return null;
  return (
    <Detail key={`${side}${picked.row}`} side={side} record={picked.record} row={picked.row} />
  );
}

function Detail({ side, record, row }: { side: SideName; record: RunRecord; row: number }) {
  const bytes = bytesOf(record, row);
  const facts = factsOf(record, row);
  const parts = useMemo(() => dissectDatagram(bytes), [record, row]);
  const marked = useSignal<MarkedBytes | undefined>(undefined);
  const heading = useRef<HTMLHeadingElement>(null);
  const asked = useRef(focusDetail.peek());
  useEffect(() => {
    if (focusDetail.value > 0 && asked.current === focusDetail.value) heading.current?.focus();
    focusDetail.value = 0;
  }, []);
  const show = (other: number): void => {
    pickedDatagram.value = { side, row: other };
    pause();
    seek(record.datagrams.startUs[other]!);
  };
  const close = (): void => {
    pickedDatagram.value = undefined;
  };
  return (
    <section
      class="detail"
      aria-labelledby="detail-title"
      onKeyDown={(event) => {
        if (event.key === "Escape") close();
      }}
    >
      <div class="panel-head">
        <h2 id="detail-title" tabIndex={-1} ref={heading}>
          Datagram {row + 1}
        </h2>
        <div class="panel-tools">
          <button
            type="button"
            aria-label="Previous datagram"
            disabled={row === 0}
            onClick={() => show(row - 1)}
          >
            <Icon name="left" />
          </button>
          <button
            type="button"
            aria-label="Next datagram"
            disabled={row + 1 >= record.datagrams.count}
            onClick={() => show(row + 1)}
          >
            <Icon name="right" />
          </button>
          <button type="button" aria-label="Close the datagram" onClick={close}>
            <Icon name="close" />
          </button>
        </div>
      </div>
      <p class="detail-kind">
        <KindMark kind={facts.kind} /> <b>{KIND_WORDS[facts.kind].name}</b>: it{" "}
        {KIND_WORDS[facts.kind].words}.
      </p>
      <p>
        {datagramSentence(facts)} {lossSentence(record, row)}
      </p>
      <p class="soft">
        {datagramTimes(facts)}
        {Number.isNaN(facts.rssiDbm)
          ? ""
          : ` Signal at the receiver: ${facts.rssiDbm.toFixed(0)} dBm.`}
      </p>
      <Sendings record={record} row={row} show={show} />
      <h3>Bytes</h3>
      <HexBytes bytes={bytes} parts={parts} marked={marked} />
      <h3>Fields</h3>
      <p class="soft">The number behind § is the section of PROTOCOL.md.</p>
      <FieldTable parts={parts} marked={marked} />
    </section>
  );
}

/** All sendings of the fragment that it carries. */
function Sendings({
  record,
  row,
  show,
}: {
  record: RunRecord;
  row: number;
  show: (row: number) => void;
}) {
  const rows = useMemo(() => sendingsOf(record, row), [record, row]);
  if (rows.length < 2) return null;
  return (
    <div class="sendings">
      <p>Its fragment was sent {rows.length} times:</p>
      <ol>
        {rows.map((other) => (
          <li key={other}>
            <button
              type="button"
              class="link"
              disabled={other === row}
              onClick={() => show(other)}
              aria-label={`Datagram ${other + 1}, ${FATE_WORDS[factsOf(record, other).fate].name}`}
            >
              {other + 1}
            </button>{" "}
            {FATE_WORDS[factsOf(record, other).fate].name}
          </li>
        ))}
      </ol>
    </div>
  );
}

function sendingsOf(record: RunRecord, row: number): number[] {
  for (const { sends } of record.transfers) {
    const at = sends.datagram.indexOf(row);
    if (at === -1) continue;
    const rows: number[] = [];
    for (let send = 0; send < sends.fragment.length; send++) {
      if (sends.fragment[send] === sends.fragment[at]) rows.push(sends.datagram[send]!);
    }
    return rows;
  }
  return [];
}
