import { notices } from "virtual:third-party-notices";
import { KEYS } from "../words/keys.js";
import { TERMS } from "../words/terms.js";
import { KindLegend, StateLegend } from "./Legend.js";

/** What the page is, how it is read, and what it does not show. */
export function AboutPage() {
  return (
    <div class="sheet">
      <h1>About this lab</h1>
      <p>
        Fardel carries whole messages over tiny datagrams that may get lost. This page shows how: it
        runs the library itself and a simulated radio, and writes down everything that happens. What
        you then play, step and scrub is the record of a run that is over. So you can go back as
        well as forward, and the same settings show the same run to everybody.
      </p>
      <p>
        Nothing is sent anywhere. The page needs no network and works from a disk. A file that you
        drop stays in the page.
      </p>

      <h2>How to read it</h2>
      <p>
        <b>The air.</b> Datagrams travel between the gateway and the boards; those from the gateway
        on the upper line of a board, those back to it on the lower one. A number on a tile is that
        of the fragment in it. When the clock runs fast, a tile is shown for longer than it was on
        air, or you would not see it.
      </p>
      <KindLegend />
      <p>
        <b>The blob.</b> A cell for each fragment; of very large blobs a cell stands for several,
        and shows the one that is least far. The line around some cells is the window.
      </p>
      <StateLegend />
      <p>
        <b>Every datagram of the run.</b> Time runs from left to right. Drag it sideways; turn the
        wheel with Ctrl held, or use the buttons, to look closer; click a datagram to see its bytes.
      </p>

      <h2>Words</h2>
      <dl>
        {Object.entries(TERMS).map(([term, words]) => (
          <div key={term}>
            <dt>{term === "rssi" ? "RSSI" : term === "burst" ? "lost in a row" : term}</dt>
            <dd>{words}</dd>
          </div>
        ))}
      </dl>

      <h2>Keys</h2>
      <dl class="keys">
        {KEYS.map(({ keys, words }) => (
          <div key={keys}>
            <dt>{keys}</dt>
            <dd>{words}</dd>
          </div>
        ))}
      </dl>

      <h2>What is invented, and what is left out</h2>
      <p>
        The frost table, the rows and the orchard are invented. The media follow open standards as
        far as their times on air go; where they come from stands with the presets of{" "}
        <code>@fardel/lossy-link</code>. A simulation shows that a program copes with loss. How much
        loss there is in your orchard, only a measurement there shows: people, weather, other radios
        and the metal of a shed are not in it.
      </p>

      <h2>Code of others</h2>
      <p>
        The charts are drawn by Apache ECharts; the page is put together with Preact and its
        signals.
      </p>
      <details>
        <summary>Their licences</summary>
        <pre class="notices">{notices}</pre>
      </details>
    </div>
  );
}
