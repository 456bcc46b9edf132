import { count, milliseconds, percent, seconds } from "./text.js";
import { type DemoEvent, RADIO_OFF_US } from "./transfer.js";

/** What the timeline writes to: standard output, or a list in a test. */
export interface Screen {
  write(text: string): unknown;
  /** Whether a line can be drawn again. */
  readonly isTerminal: boolean;
  readonly hasColour: boolean;
  /** Characters in a line of the terminal. */
  readonly columns: number;
}

const BAR_CELLS_MAX = 30;
/** Room beside the bar for instant, percentage and counts. */
const BAR_TEXT_COLUMNS = 48;
const CLEAR_LINE = "\r\x1b[2K";
const GREEN = ["\x1b[32m", "\x1b[39m"] as const;

/**
 * Shows what happens as it happens: a line for each event; the progress of the blob as a bar that
 * is drawn again and again, or as a plain line for each tenth where a line cannot be drawn again.
 */
export class Timeline {
  readonly #screen: Screen;
  readonly #blobBytes: number;
  #tenthsShown = 0;
  /** The bar as it was drawn last, to be drawn again below each event. */
  #lastBar = "";

  constructor(screen: Screen, blobBytes: number) {
    this.#screen = screen;
    this.#blobBytes = blobBytes;
  }

  show(event: DemoEvent): void {
    if (event.type !== "blob-progressed") {
      this.#line(event.atUs, this.#sentence(event));
    } else if (this.#screen.isTerminal) {
      this.#lastBar = this.#bar(event);
      this.#screen.write(`${CLEAR_LINE}${this.#lastBar}`);
    } else {
      const tenths = Math.floor((10 * event.acknowledgedBytes) / this.#blobBytes);
      if (tenths <= this.#tenthsShown) return;
      this.#tenthsShown = tenths;
      this.#line(event.atUs, `${this.#part(event)} of the blob acknowledged`);
    }
  }

  /** Wipes the bar. */
  end(): void {
    if (this.#lastBar !== "") this.#screen.write(CLEAR_LINE);
    this.#lastBar = "";
  }

  #line(atUs: number, sentence: string): void {
    const wipe = this.#lastBar === "" ? "" : CLEAR_LINE;
    const line = `${seconds(atUs).padStart(10)}  ${sentence}\n`;
    this.#screen.write(`${wipe}${line}${this.#lastBar}`);
  }

  #sentence(event: DemoEvent): string {
    switch (event.type) {
      case "blob-sent":
        return `blob sent: ${count(this.#blobBytes)} bytes, bulk`;
      case "command-sent":
        return `command sent, urgent: fan on`;
      case "command-arrived":
        return `command arrived; of the blob ${this.#part(event)} were acknowledged by then`;
      case "radio-off":
        return `the board's radio restarts: off for ${milliseconds(RADIO_OFF_US)}`;
      case "radio-on":
        return "the board's radio is back";
      case "blob-arrived":
        return "blob arrived";
      case "blob-progressed":
        return "";
    }
  }

  #part({ acknowledgedBytes }: DemoEvent): string {
    return `${count(acknowledgedBytes)} bytes (${percent(acknowledgedBytes, this.#blobBytes)})`;
  }

  #bar({ atUs, acknowledgedBytes }: DemoEvent): string {
    const { columns, hasColour } = this.#screen;
    const cells = Math.max(0, Math.min(BAR_CELLS_MAX, columns - BAR_TEXT_COLUMNS));
    const full = Math.floor((cells * acknowledgedBytes) / this.#blobBytes);
    const [on, off] = hasColour ? GREEN : ["", ""];
    const bar = `${on}${"#".repeat(full)}${off}${".".repeat(cells - full)}`;
    const part = percent(acknowledgedBytes, this.#blobBytes).padStart(5);
    const bytes = `${count(acknowledgedBytes)} of ${count(this.#blobBytes)} bytes`;
    return `${seconds(atUs).padStart(10)}  [${bar}] ${part}  ${bytes}`;
  }
}
