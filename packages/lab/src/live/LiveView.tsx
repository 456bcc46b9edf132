import "./live.css";
import { useEffect } from "preact/hooks";
import { BridgePanel } from "./BridgePanel.js";
import { CurvesPanel } from "./CurvesPanel.js";
import { EventsPanel } from "./EventsPanel.js";
import { FeedLine } from "./FeedLine.js";
import { LinkPanel } from "./LinkPanel.js";
import { feed, listenToGateway } from "./live-state.js";
import { PeersPanel } from "./PeersPanel.js";
import { TransfersPanel } from "./TransfersPanel.js";

/** A running gateway, or a bridge at this computer, as it is now. */
export function LiveView() {
  useEffect(listenToGateway, []);
  const picture = feed.picture.value;
  return (
    <div class="live">
      <h1 class="live-heading">Live</h1>
      <BridgePanel />
      <FeedLine />
      {picture && (
        <>
          <LinkPanel snapshot={picture.snapshot} />
          <CurvesPanel picture={picture} />
          <PeersPanel snapshot={picture.snapshot} />
          <div class="live-pair">
            <TransfersPanel snapshot={picture.snapshot} />
            <EventsPanel picture={picture} />
          </div>
        </>
      )}
    </div>
  );
}
