import { useEffect } from "preact/hooks";
import { watchKeys } from "../state/keyboard.js";
import { shownRecords } from "../state/lab.js";
import { followAddress } from "../state/runs.js";
import { pickedRecord } from "../state/selection.js";
import { watchDrops } from "../state/taken-files.js";
import { isNarrowPage } from "../state/theme.js";
import { AirPanel } from "./AirPanel.js";
import { BoardChoice } from "./BoardChoice.js";
import { CellsPanel } from "./CellsPanel.js";
import { HistogramPanel } from "./charts/HistogramPanel.js";
import { GoodputChart, SequenceChart } from "./charts/TimeCharts.js";
import { DatagramTable } from "./DatagramTable.js";
import { DetailPane } from "./detail/DetailPane.js";
import { EventList } from "./EventList.js";
import { Figures } from "./Figures.js";
import { SettingsForm } from "./form/SettingsForm.js";
import { Headline } from "./Headline.js";
import { KeyHelp } from "./KeyHelp.js";
import { KindLegend, StateLegend } from "./Legend.js";
import { LiveRegion, Troubles } from "./Notices.js";
import { Panel } from "./Panel.js";
import { Sides } from "./Sides.js";
import { followTime, StripPanel } from "./StripPanel.js";
import { StripTools } from "./StripTools.js";
import { Tour } from "./Tour.js";
import { Transport } from "./Transport.js";

/** The lab: settings on one side, the run on the other, time at the lower edge. */
export function LabPage() {
  useEffect(() => {
    const ends = [watchKeys(), watchDrops(document.body), followTime(), followAddress()];
    return () => {
      for (const end of ends) end();
    };
  }, []);
  return (
    <>
      <div class={pickedRecord.value === undefined ? "lab" : "lab with-detail"}>
        <details class="settings-box" id="settings" open={!isNarrowPage.value}>
          <summary>Settings</summary>
          <SettingsForm />
        </details>
        <div class="run">
          <Troubles />
          {shownRecords.value.length === 0 ? (
            <p class="soft">The first run is on its way …</p>
          ) : (
            <RunViews />
          )}
        </div>
        <DetailPane />
      </div>
      <Tour />
      <Transport />
      <KeyHelp />
      <LiveRegion />
    </>
  );
}

function RunViews() {
  // Two settings fill the width by themselves.
  const pairClass = shownRecords.value.length > 1 ? "" : "pair";
  return (
    <>
      <Headline />
      <Panel id="air" title="The air">
        <Sides>{(side, record) => <AirPanel side={side} record={record} />}</Sides>
        <KindLegend />
      </Panel>
      <Panel id="cells" title="The blob at its receiver" tools={<BoardChoice />}>
        <Sides>{(side, record) => <CellsPanel side={side} record={record} />}</Sides>
        <StateLegend />
      </Panel>
      <Panel id="strip" title="Every datagram of the run" tools={<StripTools />}>
        <Sides>{(side, record) => <StripPanel side={side} record={record} />}</Sides>
      </Panel>
      <div class={pairClass} id="charts">
        <Panel id="sequence" title="Fragment against time" tools={<BoardChoice />}>
          <Sides>{(_side, record) => <SequenceChart record={record} />}</Sides>
        </Panel>
        <Panel id="goodput" title="Goodput against the limit">
          <GoodputChart />
        </Panel>
      </div>
      <div class={pairClass}>
        <Panel id="figures" title="What it comes to">
          <Figures />
        </Panel>
        <Panel id="events" title="What happened">
          <Sides>{(_side, record) => <EventList record={record} />}</Sides>
        </Panel>
      </div>
      <Panel id="histogram" title="A hundred throws of the dice">
        <HistogramPanel />
      </Panel>
      <Panel id="datagrams" title="Datagrams around now">
        <Sides>{(side, record) => <DatagramTable side={side} record={record} />}</Sides>
      </Panel>
    </>
  );
}
