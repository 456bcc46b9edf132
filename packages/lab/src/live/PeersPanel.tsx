import { ago, byteRate, count, counted, duration } from "./figures.js";
import { chooseOrder, chosenPeer, order } from "./live-state.js";
import { PeerDetail } from "./PeerDetail.js";
import { Loss, Signal } from "./PeerMarks.js";
import { isPeerOrder, type LivePeer, type LiveSnapshot, type PeerOrder } from "./snapshot.js";

interface Column {
  readonly title: string;
  /** What its heading brings first; left out: it cannot. */
  readonly order?: PeerOrder;
  /** In words, for the heading and the list of orders. */
  readonly first?: string;
  /** How much room there must be for it; left out: it is always there. */
  readonly room?: "some" | "much";
  readonly isFigure?: boolean;
  readonly cell: (peer: LivePeer) => preact.ComponentChildren;
}

const COLUMNS: readonly Column[] = [
  {
    title: "Signal",
    order: "signal",
    first: "strongest first",
    cell: (peer) => <Signal peer={peer} />,
  },
  { title: "Loss", order: "loss", first: "most lossy first", cell: (peer) => <Loss peer={peer} /> },
  { title: "Heard", order: "heard", first: "last heard first", room: "some", cell: heard },
  { title: "Session", room: "much", cell: ({ phase }) => phase },
  {
    title: "Round trip",
    order: "round-trip",
    first: "slowest first",
    room: "much",
    isFigure: true,
    cell: ({ roundTripUs }) => (roundTripUs === undefined ? "" : duration(roundTripUs)),
  },
  {
    title: "Queue",
    order: "queue",
    first: "longest queue first",
    room: "much",
    isFigure: true,
    cell: ({ queuedMessages }) => count(queuedMessages),
  },
  {
    title: "Goodput",
    order: "goodput",
    first: "fastest first",
    room: "much",
    isFigure: true,
    cell: ({ goodputBytesPerS }) => (goodputBytesPerS ? byteRate(goodputBytesPerS) : ""),
  },
  {
    title: "Messages in",
    order: "messages",
    first: "most messages first",
    room: "much",
    isFigure: true,
    cell: ({ messagesReceived }) => count(messagesReceived),
  },
  {
    title: "Protection",
    room: "much",
    cell: ({ isProtected }) => (isProtected ? "on" : "none"),
  },
];

function heard({ silentUs }: LivePeer): string {
  return silentUs === undefined ? "never" : ago(silentUs);
}

/** Every peer, or the first ones in this order. */
export function PeersPanel({ snapshot }: { readonly snapshot: LiveSnapshot }) {
  const { peers, totals } = snapshot;
  const chosen = peers.find(({ address }) => address === chosenPeer.value);
  return (
    <section class="live-panel" aria-labelledby="live-peers">
      <h2 id="live-peers">Peers</h2>
      {peers.length === 0 ? (
        <p class="live-soft">Nobody was heard yet.</p>
      ) : (
        <>
          <OrderChoice />
          {totals.peers > peers.length && (
            <p>
              The first {count(peers.length)} of {counted(totals.peers, "peer")}, in this order.
            </p>
          )}
          <PeerTable peers={peers} />
        </>
      )}
      {chosen && <PeerDetail peer={chosen} />}
    </section>
  );
}

/** For little room, where not every heading is there. */
function OrderChoice() {
  return (
    <label class="live-order">
      Order{" "}
      <select
        value={order.value}
        onChange={(event) => {
          const wanted = event.currentTarget.value;
          if (isPeerOrder(wanted)) chooseOrder(wanted);
        }}
      >
        <option value="address">by address</option>
        {COLUMNS.map(
          (column) =>
            column.order && (
              <option key={column.order} value={column.order}>
                {column.first}
              </option>
            ),
        )}
      </select>
    </label>
  );
}

function PeerTable({ peers }: { readonly peers: readonly LivePeer[] }) {
  return (
    <div class="live-scroll">
      <table class="live-table">
        <thead>
          <tr>
            <Heading column={{ title: "Peer", order: "address", first: "by address" }} />
            {COLUMNS.map((column) => (
              <Heading key={column.title} column={column} />
            ))}
          </tr>
        </thead>
        <tbody>
          {peers.map((peer) => (
            <PeerRow key={peer.address} peer={peer} />
          ))}
        </tbody>
      </table>
    </div>
  );
}

function Heading({ column }: { readonly column: Omit<Column, "cell"> }) {
  const { title, order: wanted, first } = column;
  const isFirst = wanted !== undefined && wanted === order.value;
  const look = lookOf(column);
  if (!wanted) {
    return (
      <th scope="col" class={look}>
        {title}
      </th>
    );
  }
  // Which way it goes is said in words: "ascending" would mislead for strength in dBm.
  return (
    <th scope="col" class={look} aria-sort={isFirst ? "other" : "none"}>
      <button type="button" title={first} onClick={() => chooseOrder(wanted)}>
        {title}
        <span aria-hidden="true">{isFirst ? " ▾" : ""}</span>
      </button>
    </th>
  );
}

function lookOf({ room, isFigure }: Omit<Column, "cell">): string {
  return `${room ? `live-${room}` : ""} ${isFigure ? "live-figure" : ""}`;
}

function PeerRow({ peer }: { readonly peer: LivePeer }) {
  const isChosen = chosenPeer.value === peer.address;
  return (
    <tr class={isChosen ? "live-chosen" : ""}>
      <th scope="row">
        <button
          type="button"
          aria-pressed={isChosen}
          onClick={() => {
            chosenPeer.value = isChosen ? undefined : peer.address;
          }}
        >
          {peer.name ?? peer.address}
        </button>
        {peer.name !== undefined && <small class="live-soft live-much">{peer.address}</small>}
      </th>
      {COLUMNS.map((column) => (
        <td key={column.title} class={lookOf(column)}>
          {column.cell(peer)}
        </td>
      ))}
    </tr>
  );
}
