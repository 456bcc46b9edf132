import { ago, byteRate, byteSize, count, duration, percent } from "./figures.js";
import { Loss, Signal } from "./PeerMarks.js";
import type { LivePeer } from "./snapshot.js";

/** Everything that is known of one peer. */
export function PeerDetail({ peer }: { readonly peer: LivePeer }) {
  const { name, address, phase, isProtected, silentUs } = peer;
  return (
    <section class="live-detail" aria-label={`Peer ${name ?? address}`}>
      <h3>{name === undefined ? address : `${name} (${address})`}</h3>
      <dl class="live-facts">
        <Fact name="Session" value={`${phase}, number ${count(peer.sessions)}`} />
        <Fact
          name="Protection"
          value={isProtected ? "on: encrypted and authenticated" : "none: everything goes in plain"}
        />
        <Fact name="Signal" value={<Signal peer={peer} />} />
        <Fact name="Heard" value={silentUs === undefined ? "never" : ago(silentUs)} />
        <Fact name="Loss of what is sent to it" value={<Loss peer={peer} />} />
        <Fact
          name="Loss just now"
          value={peer.recentLossRate === undefined ? "nothing sent" : percent(peer.recentLossRate)}
        />
        <Fact name="Round trip" value={given(peer.roundTripUs, duration)} />
        <Fact name="Goodput to it" value={given(peer.goodputBytesPerS, byteRate)} />
        <Fact
          name="Waiting to be sent"
          value={`${count(peer.queuedMessages)}, ${byteSize(peer.queuedBytes)}`}
        />
        <Fact name="Held for it" value={byteSize(peer.heldBytes)} />
        <Fact
          name="Messages"
          value={`${count(peer.messagesReceived)} in, ${count(peer.messagesSent)} out`}
        />
        <Fact
          name="Datagrams"
          value={`${count(peer.datagramsReceived)} in, ${count(peer.datagramsSent)} out`}
        />
        <Fact
          name="Fragments to it"
          value={`${count(peer.fragmentsSent)}, and ${count(peer.fragmentsRepeated)} again`}
        />
      </dl>
    </section>
  );
}

function Fact(props: { readonly name: string; readonly value: preact.ComponentChildren }) {
  return (
    <div>
      <dt>{props.name}</dt>
      <dd>{props.value}</dd>
    </div>
  );
}

function given(value: number | undefined, format: (value: number) => string): string {
  return value === undefined ? "not known" : format(value);
}
