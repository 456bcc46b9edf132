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
      <Curve
        title="Loss"
        timesUs={timesUs}
        lines={[{ name: "Loss", look: "one", values: curve.map(({ lossRate }) => lossRate) }]}
        low={0}
        high={0.1}
        format={percent}
      />
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
      <Curve
        title="Mean signal"
        timesUs={timesUs}
        lines={[{ name: "RSSI", look: "one", values: curve.map(({ rssiDbm }) => rssiDbm) }]}
        low={-95}
        high={-35}
        format={dBm}
      />
    </>
  );
}

function PeerCurves({ address }: { readonly address: string }) {
  const curve = feed.peerCurve(address);
  const timesUs = curve.map(({ atUs }) => atUs);
  return (
    <>
      <Curve
        title="Loss"
        timesUs={timesUs}
        lines={[{ name: "Loss", look: "one", values: curve.map(({ lossRate }) => lossRate) }]}
        low={0}
        high={0.1}
        format={percent}
      />
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
      <Curve
        title="Signal"
        timesUs={timesUs}
        lines={[{ name: "RSSI", look: "one", values: curve.map(({ rssiDbm }) => rssiDbm) }]}
        low={-95}
        high={-35}
        format={dBm}
      />
    </>
  );
}
