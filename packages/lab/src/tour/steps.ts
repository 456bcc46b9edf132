import { FATE_NAMES, type RunRecord, type TransferRecord } from "../run/record.js";

/** One stop of the tour: a moment of the run, and what to look at. */
export interface TourStep {
  readonly title: string;
  readonly text: string;
  /** Where the clock is put. */
  readonly atUs: number;
  /** The part of the page that it talks about: an id. */
  readonly place: "air" | "cells" | "strip" | "settings" | "charts";
  /** The datagram that it talks about. */
  readonly row?: number;
}

/**
 * The stops that a run has to offer: each is about something that happened in it, so a run without
 * losses has fewer. About the blob of one board.
 */
export function tourSteps(record: RunRecord, transfer: TransferRecord | undefined): TourStep[] {
  const happened = [
    ...opening(record),
    ...(transfer === undefined ? [] : ofBlob(transfer, record)),
  ];
  // A story goes forward: which comes first differs from run to run.
  happened.sort((a, b) => a.atUs - b.atUs);
  return [beginning(record), ...happened, ending(record)];
}

function ofBlob(transfer: TransferRecord, record: RunRecord): TourStep[] {
  return [
    ...cutting(transfer, record),
    ...windowFull(transfer),
    ...firstLoss(transfer, record),
    ...firstAnswer(transfer),
    ...firstRepeat(transfer),
    ...whole(transfer, record),
  ];
}

function nameOf({ stations }: RunRecord, station: number): string {
  return stations[station]?.name ?? "the board";
}

function beginning(record: RunRecord): TourStep {
  const boards = record.stations.length - 1;
  return {
    title: "A gateway, and boards in an orchard",
    text: `On the left is the gateway, on the right ${boards === 1 ? "one board" : `${boards} boards`}. Between them is radio, and it can carry only tiny datagrams: a few hundred bytes each, one at a time, and some get lost. The clock runs slowly, so that you can watch thousandths of a second.`,
    atUs: 0,
    place: "air",
  };
}

function opening(record: RunRecord): TourStep[] {
  const { kind, startUs, leftUs, count } = record.datagrams;
  const row = kind.subarray(0, count).indexOf(3);
  if (row === -1) return [];
  return [
    {
      title: "Two sides get to know each other",
      text: "The diamond opens a session: it says how large a datagram may be, and how much its sender can take at once. The other side answers. Small messages ride along from the first datagram on; a large one waits for the answer.",
      atUs: (startUs[row]! + leftUs[row]!) / 2,
      place: "air",
      row,
    },
  ];
}

function cutting(transfer: TransferRecord, record: RunRecord): TourStep[] {
  const first = transfer.sends.atUs[0];
  const row = transfer.sends.datagram[0];
  if (first === undefined || row === undefined || transfer.fragmentCount < 2) return [];
  const { startUs, leftUs } = record.datagrams;
  return [
    {
      title: "The blob is cut into fragments",
      text: `The blob is larger than a datagram, so it is cut into ${transfer.fragmentCount} fragments. Each cell below is one of them. A cell fills in when its fragment has arrived; it turns dark when the sender knows that.`,
      atUs: (startUs[row]! + leftUs[row]!) / 2,
      place: "cells",
      row,
    },
  ];
}

/** The moment at which the sender has used up its window for the first time. */
function windowFull({ sends, window, fragmentCount }: TransferRecord): TourStep[] {
  const limit = window.limit[0];
  if (limit === undefined || limit >= fragmentCount) return [];
  const last = sends.fragment.indexOf(limit - 1);
  if (last === -1) return [];
  return [
    {
      title: "The window",
      text: `The frame around the cells is the window: ${limit} fragments may be under way, because the receiver has said that it has room for so many. Now all of them have been sent. The sender must wait until it hears what has arrived.`,
      atUs: sends.atUs[last]! + 100,
      place: "cells",
    },
  ];
}

function firstLoss(transfer: TransferRecord, { datagrams }: RunRecord): TourStep[] {
  const { sends } = transfer;
  for (let send = 0; send < sends.datagram.length; send++) {
    const row = sends.datagram[send]!;
    const fate = FATE_NAMES[datagrams.fate[row]!];
    if (fate === "delivered" || fate === "pending" || !Number.isNaN(datagrams.arrivedUs[row]!)) {
      continue;
    }
    return [
      {
        title: "One dies on the way",
        text: `This datagram carried fragment ${sends.fragment[send]! + 1}, and it never arrives. We can see that; the sender cannot. In the cells it is a cross with a broken line: lost, and nobody knows yet.`,
        atUs: datagrams.leftUs[row]! + 1,
        place: "air",
        row,
      },
    ];
  }
  return [];
}

function firstAnswer({ losses }: TransferRecord): TourStep[] {
  const atUs = losses.atUs[0];
  if (atUs === undefined) return [];
  return [
    {
      title: "An ack tells what is missing",
      text: "The arrow that came back is an ack. It says which fragments have arrived, one by one, so the sender sees the gaps. The crosses now have a full line: they will be sent again. What has arrived is not sent twice.",
      atUs,
      place: "cells",
    },
  ];
}

function firstRepeat({ sends }: TransferRecord): TourStep[] {
  const repeat = sends.isRepeat.indexOf(1);
  if (repeat === -1) return [];
  return [
    {
      title: "Only the gaps are sent again",
      text: `The tile with the slice cut off is a repeat: fragment ${sends.fragment[repeat]! + 1}, in a datagram with a new number. When the first gap is closed, the window slides on.`,
      atUs: sends.atUs[repeat]! + 500,
      place: "air",
      row: sends.datagram[repeat]!,
    },
  ];
}

function whole(transfer: TransferRecord, record: RunRecord): TourStep[] {
  if (Number.isNaN(transfer.deliveredUs)) return [];
  const receiver = nameOf(record, transfer.to);
  return [
    {
      title: "Whole, or not at all",
      text: `Every fragment is there, and the checksum over the whole blob fits: only now does the program at ${receiver} get it. The sender hears of it with the next ack.`,
      atUs: transfer.deliveredUs,
      place: "cells",
    },
  ];
}

function ending(record: RunRecord): TourStep {
  return {
    title: "The whole run at a glance",
    text: "Below is every datagram of the run on a line of time. Click one to see its bytes. Then change the link on the settings side: more loss, a smaller window, an outage, twenty boards. The same seed always gives the same run.",
    atUs: record.endUs,
    place: "strip",
  };
}
