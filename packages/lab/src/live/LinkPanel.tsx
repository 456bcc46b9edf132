import { byteSize, count, elapsed } from "./figures.js";
import type { LiveLink, LiveSnapshot } from "./snapshot.js";

/** The link, and all peers together. */
export function LinkPanel({ snapshot }: { readonly snapshot: LiveSnapshot }) {
  const { name, address, atUs, link, totals } = snapshot;
  return (
    <section class="live-panel" aria-labelledby="live-link">
      <h2 id="live-link">{name}</h2>
      <p class="live-link-line">
        <LinkState link={link} atUs={atUs} />
        {address !== undefined && <span class="live-soft"> own address {address}</span>}
        <span class="live-soft"> watched for {elapsed(atUs)}</span>
      </p>
      <dl class="live-totals">
        <Total name="Peers" value={count(totals.peers)} note={`${count(totals.open)} in session`} />
        <Total name="Heard lately" value={count(totals.heard)} note="in the last 10 s" />
        <Total
          name="Waiting to be sent"
          value={count(totals.queuedMessages)}
          note={byteSize(totals.queuedBytes)}
        />
        <Total name="Held here" value={byteSize(totals.heldBytes)} note="not read or not whole" />
        <Total
          name="Messages in"
          value={count(totals.messagesReceived)}
          note={`${count(totals.messagesSent)} out`}
        />
        <Total
          name="Datagrams in"
          value={count(totals.datagramsReceived)}
          note={`${count(totals.datagramsSent)} out`}
        />
      </dl>
      <OddDatagrams snapshot={snapshot} />
    </section>
  );
}

function LinkState({ link, atUs }: { readonly link: LiveLink; readonly atUs: number }) {
  if (link.status === undefined) return <span>The link does not tell whether it is up.</span>;
  const since = elapsed(atUs - link.sinceUs);
  return link.status === "up" ? (
    <strong class="live-good">● Link up for {since}</strong>
  ) : (
    <strong class="live-trouble">
      ▼ Link down for {since}. {link.why}
    </strong>
  );
}

interface TotalProps {
  readonly name: string;
  readonly value: string;
  readonly note: string;
}

function Total({ name, value, note }: TotalProps) {
  return (
    <div>
      <dt>{name}</dt>
      <dd>
        <b>{value}</b> <span class="live-soft">{note}</span>
      </dd>
    </div>
  );
}

const ODD = [
  ["unreadableDatagrams", "Unreadable: damaged, too short, or of another version"],
  ["unexplainedDatagrams", "Of sessions that this gateway does not have"],
  ["refusedDatagrams", "Refused for want of protection"],
  ["ignoredDatagrams", "Of newcomers for whom there was no room"],
  ["sessionlessDatagrams", "Without session: announcements, queries, pairing"],
] as const;

/** What the endpoint has counted that belongs to no peer. */
function OddDatagrams({ snapshot: { totals } }: { readonly snapshot: LiveSnapshot }) {
  const sum = ODD.reduce((all, [name]) => all + totals[name], 0);
  return (
    <details class="live-odd">
      <summary>{count(sum)} datagrams that belong to no session</summary>
      <ul>
        {ODD.map(([name, words]) => (
          <li key={name}>
            {words}: <b>{count(totals[name])}</b>
          </li>
        ))}
      </ul>
    </details>
  );
}
