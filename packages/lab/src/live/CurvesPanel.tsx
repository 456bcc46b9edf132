import { Curve } from "./Curve.js";
import { byteRate, percent } from "./figures.js";
import type { LivePicture } from "./live-feed.js";
import { chosenPeer, feed } from "./live-state.js";

const dBm = (value: number) => `${Math.round(value)} dBm`;

/** At most five minutes: of all peers, or of the one that was chosen. */
export function CurvesPanel({ picture }: { readonly picture: LivePicture }) {
  const address = chosenPeer.value;
  const peer = picture.snapshot.peers.find((one) => one.address === address);
  return (
    <section class="live-panel" aria-labelledby="live-curves">
      <h2 id="live-curves">The last minutes: {peer ? (peer.name ?? peer.address) : "all peers"}</h2>
      {peer && (
        <p>
          <button
            type="button"
            class="live-button"
            onClick={() => {
              chosenPeer.value = undefined;
            }}
          >
            Show all peers
          </button>
        </p>
      )}
      <div class="live-curves">
        {peer ? <PeerCurves address={peer.address} /> : <AllCurves picture={picture} />}
      </div>
    </section>
  );
}

function AllCurves({ picture: { curve } }: { readonly picture: LivePicture }) {
  const timesUs = curve.map(({ atUs }) => atUs);
  return (
    <>
      <LossCurve curve={curve} />
      <Curve
        title="Message bytes"
        timesUs={timesUs}
        lines={[
          { name: "to peers", look: "one", values: curve.map((point) => point.sentBytesPerS) },
          { name: "from peers", look: "other", values: curve.map((one) => one.receivedBytesPerS) },
        ]}
        low={0}
        high={100}
        format={byteRate}
      />
      <SignalCurve title="Mean signal" curve={curve} />
    </>
  );
}

function PeerCurves({ address }: { readonly address: string }) {
  const curve = feed.peerCurve(address);
  const timesUs = curve.map(({ atUs }) => atUs);
  return (
    <>
      <LossCurve curve={curve} />
      <Curve
        title="Heard from it"
        timesUs={timesUs}
        lines={[
          { name: "Bytes", look: "one", values: curve.map((point) => point.receivedBytesPerS) },
        ]}
        low={0}
        high={100}
        format={byteRate}
      />
      <SignalCurve title="Signal" curve={curve} />
    </>
  );
}

/** What a point of either curve has. */
interface Point {
  readonly atUs: number;
  readonly lossRate?: number | undefined;
  readonly rssiDbm?: number | undefined;
}

function LossCurve({ curve }: { readonly curve: readonly Point[] }) {
  return (
    <Curve
      title="Loss"
      timesUs={curve.map(({ atUs }) => atUs)}
      lines={[{ name: "Loss", look: "one", values: curve.map(({ lossRate }) => lossRate) }]}
      low={0}
      high={0.1}
      format={percent}
    />
  );
}

function SignalCurve({
  title,
  curve,
}: {
  readonly title: string;
  readonly curve: readonly Point[];
}) {
  return (
    <Curve
      title={title}
      timesUs={curve.map(({ atUs }) => atUs)}
      lines={[{ name: "RSSI", look: "one", values: curve.map(({ rssiDbm }) => rssiDbm) }]}
      low={-95}
      high={-35}
      format={dBm}
    />
  );
}
