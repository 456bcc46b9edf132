import { useState } from "preact/hooks";
import { BIT_RATES, type BridgeSource, browserSerial } from "./bridge-source.js";
import { byteSize, count, counted } from "./figures.js";
import { isServedByGateway } from "./gateway-source.js";
import { bridge, connectBridge, disconnectBridge, feed } from "./live-state.js";
import { saveFile } from "./save-file.js";

/** What can be looked at where no gateway has served the page: a bridge at a port of this computer. */
export function BridgePanel() {
  const [bitRate, setBitRate] = useState(0);
  if (isServedByGateway()) return null;
  const { is } = feed.state.value;
  if (bridge.value || is === "connecting") {
    return (
      <div class="live-bridge">
        <button type="button" class="live-button" onClick={() => void disconnectBridge()}>
          {bridge.value ? "Disconnect the bridge" : "Give up"}
        </button>{" "}
        {bridge.value && <Recorder bridge={bridge.value} />}
      </div>
    );
  }
  return (
    <section class="live-panel live-bridge" aria-label="What to look at">
      <p>
        Look at a running gateway: start <code>fardel monitor --web --link …</code> and open the
        address that it prints. Or look at what a bridge at this computer hears, right from here.
      </p>
      {browserSerial() ? (
        <form
          onSubmit={(event) => {
            event.preventDefault();
            void connectBridge(bitRate);
          }}
        >
          <label>
            Bit rate{" "}
            <select
              value={bitRate}
              onChange={(event) => setBitRate(Number(event.currentTarget.value))}
            >
              {BIT_RATES.map((rate) => (
                <option key={rate} value={rate}>
                  {rate === 0 ? "try them all" : count(rate)}
                </option>
              ))}
            </select>
          </label>{" "}
          <button type="submit" class="live-button">
            Connect a bridge …
          </button>
          <p class="live-soft">
            This page is the gateway then: it acknowledges messages and throws them away, and
            answers requests with a refusal. Do not take the place of a gateway whose messages
            matter.
          </p>
        </form>
      ) : (
        <p class="live-soft">
          For a bridge this page needs Web Serial, and this browser does not have it, or not here.
          Browsers that are made from Chromium have it on computers, for pages from disk, from this
          computer, or over HTTPS.
        </p>
      )}
    </section>
  );
}

/** Keeps what passes, for the analyser or for the lab. */
function Recorder({ bridge: own }: { readonly bridge: BridgeSource }) {
  const recorded = own.recorded.value;
  if (!recorded) {
    return (
      <button type="button" class="live-button" onClick={() => own.startRecording()}>
        Record
      </button>
    );
  }
  const { bytes, dropped } = recorded;
  return (
    <>
      <button
        type="button"
        class="live-button"
        onClick={() => {
          const recording = own.stopRecording();
          if (recording) saveFile(recording, fileName(new Date()));
        }}
      >
        Stop, and save {byteSize(bytes)}
      </button>
      {dropped > 0 && (
        <span class="live-trouble">
          {" "}
          The recording is full: {counted(dropped, "datagram")} left out.
        </span>
      )}
    </>
  );
}

function fileName(now: Date): string {
  return `fardel-live-${now.toISOString().slice(0, 19).replaceAll(":", "-")}.pcapng`;
}
