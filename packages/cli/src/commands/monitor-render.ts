import { bytes, bytesPerSecond, count, counted, duration, percent } from "../format.js";
import { printable } from "../output.js";
import { type Column, tableLines } from "../render.js";
import type { MonitorView, PeerView } from "./monitor-view.js";

/** Views of a monitor as text and as JSON. All pure. */

/** Said of every peer: `none` is read, forged and replayed by whoever is in range. */
function protectionOf({ report }: PeerView): "on" | "none" {
  return report?.isProtected ? "on" : "none";
}

interface Figure extends Column {
  /** The cell; empty if there is nothing to tell. */
  readonly cell: (view: PeerView) => string;
}

const FIGURES: readonly Figure[] = [
  { title: "Peer", cell: ({ peer }) => peer },
  { title: "Session", cell: ({ report }) => report?.phase ?? "none" },
  { title: "Silent for", align: "right", cell: silence },
  { title: "RSSI", align: "right", cell: signal },
  { title: "Loss", align: "right", cell: ({ report }) => given(report?.lossRate, percent) },
  {
    title: "Round trip",
    align: "right",
    cell: ({ report }) => given(report?.roundTripUs, duration),
  },
  { title: "Queue", align: "right", cell: ({ report }) => given(report?.queuedMessages, count) },
  { title: "In/s", align: "right", cell: (view) => rate(view.receivedDatagramsPerS) },
  { title: "Datagrams", align: "right", cell: datagrams },
  { title: "Messages", align: "right", cell: messages },
  { title: "Last", align: "right", cell: (view) => given(view.lastMessageBytes, bytes) },
  {
    title: "Goodput",
    align: "right",
    cell: ({ report }) => given(report?.goodputBytesPerS, bytesPerSecond),
  },
  { title: "Protection", cell: protectionOf },
];

function given(value: number | undefined, format: (value: number) => string): string {
  return value === undefined ? "" : format(value);
}

function silence({ report }: PeerView): string {
  return report?.silentUs === undefined ? "never heard" : duration(report.silentUs);
}

function signal({ report }: PeerView): string {
  const { rssiDbm, radioChannel } = report ?? {};
  const strength = given(rssiDbm, (dBm) => `${Math.round(dBm)} dBm`);
  return radioChannel === undefined ? strength : `${strength} ch ${radioChannel}`.trim();
}

/** Sent and received, as in the next. */
function datagrams({ report }: PeerView): string {
  return report ? `${count(report.datagramsSent)}/${count(report.datagramsReceived)}` : "";
}

function messages({ report }: PeerView): string {
  return report ? `${count(report.messagesSent)}/${count(report.messagesReceived)}` : "";
}

function rate(perS: number): string {
  return perS >= 100 ? String(Math.round(perS)) : perS.toFixed(1);
}

/**
 * A table for a terminal, at most `rowsMax` lines high; what does not fit is counted in the last.
 * @param peers - in the order in which they are shown; only those that fit are looked at
 */
export function tableView(
  { atUs, link }: MonitorView,
  peers: readonly PeerView[],
  linkName: string,
  rowsMax: number,
): string[] {
  const state = link === "up" ? "" : "  LINK DOWN";
  const who = counted(peers.length, "peer");
  const title = `${time(atUs)}  ${who}${state}  ${printable(linkName)}`;
  const space = Math.max(1, rowsMax - 2);
  const shown = peers.length > space ? peers.slice(0, space - 1) : peers;
  const rows = shown.map((view) => FIGURES.map(({ cell }) => cell(view)));
  const lines = [title, ...tableLines(FIGURES, rows)];
  if (peers.length === 0) lines.push("Nobody was heard yet.");
  const hidden = peers.length - shown.length;
  if (hidden > 0) lines.push(`… and ${counted(hidden, "more peer", "more peers")}`);
  return lines.slice(0, Math.max(1, rowsMax));
}

/** One line for each peer, for a log. */
export function logLines({ atUs, link }: MonitorView, peers: readonly PeerView[]): string[] {
  const state = link === "up" ? "" : "  link down";
  if (peers.length === 0) return [`${time(atUs)}${state}  nobody was heard yet`];
  return peers.map((view) => `${time(atUs)}${state}  ${logLine(view)}`);
}

function logLine(view: PeerView): string {
  const { report, lastMessageBytes } = view;
  const parts = [printable(view.peer)];
  if (!report) return `${parts.join("")}, never heard`;
  parts.push(`session ${report.phase}`);
  parts.push(report.silentUs === undefined ? "never heard" : `silent for ${silence(view)}`);
  const optional: readonly (readonly [name: string, value: string])[] = [
    ["RSSI", signal(view)],
    ["loss", given(report.lossRate, percent)],
    ["round trip", given(report.roundTripUs, duration)],
    ["queue", report.queuedMessages > 0 ? count(report.queuedMessages) : ""],
    ["goodput", given(report.goodputBytesPerS, bytesPerSecond)],
  ];
  for (const [name, value] of optional) if (value !== "") parts.push(`${name} ${value}`);
  parts.push(`datagrams ${count(report.datagramsSent)} out ${count(report.datagramsReceived)} in`);
  parts.push(`messages ${count(report.messagesSent)} out ${count(report.messagesReceived)} in`);
  if (lastMessageBytes !== undefined) parts.push(`last ${bytes(lastMessageBytes)}`);
  parts.push(`protection ${protectionOf(view)}`);
  return parts.join(", ");
}

/** `12.0 s`, so that lines stand below each other for a while. */
function time(us: number): string {
  return `${(us / 1e6).toFixed(1).padStart(7)} s`;
}

/** What `--json` prints for each interval. */
export function viewObject(
  { atUs, link }: MonitorView,
  peers: readonly PeerView[],
): Readonly<Record<string, unknown>> {
  return { type: "peers", atUs, link, peers: peers.map(peerObject) };
}

function peerObject(view: PeerView): Readonly<Record<string, unknown>> {
  const { peer, report, receivedDatagramsPerS, receivedMessagesPerS, lastMessageBytes } = view;
  const {
    address: _address,
    isProtected: _isProtected,
    ...figures
  } = report ?? {
    address: undefined,
    isProtected: false,
    phase: "none",
  };
  return {
    peer,
    ...figures,
    protection: protectionOf(view),
    receivedDatagramsPerS: thousandths(receivedDatagramsPerS),
    receivedMessagesPerS: thousandths(receivedMessagesPerS),
    lastMessageBytes,
  };
}

function thousandths(value: number): number {
  return Math.round(value * 1000) / 1000;
}
