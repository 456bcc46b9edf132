import {
  type Address,
  type Clock,
  DEFAULT_CONFIG,
  type Endpoint,
  SESSIONLESS_KIND,
  type Sessionless,
  SystemClock,
} from "@fardel/core";
import type { PairingWay } from "../pairing/way.js";
import { invalidOption } from "../pairing-error.js";
import type { Announcement } from "./announce-body.js";
import { Announcer } from "./announcer.js";
import { MachineTimer } from "./machine-timer.js";
import { platformRandom } from "./platform.js";

/** Version of the protocol that core speaks. */
const PROTOCOL_VERSION = 1;
/** Around a body: head, kind, CRC-16; PROTOCOL.md, section 15. */
const AROUND_BODY_BYTES = 4;

/** What a board says of itself; what is left out is as it was, at first as told here. */
export interface AnnouncedFacts {
  /** What it is ("row-station"), at most 16 bytes of UTF-8. Default "". */
  readonly kind?: string;
  /** Which one it is, at most 32 bytes of UTF-8. Default "". Cut where datagrams are too small for it. */
  readonly name?: string;
  /** Default true. */
  readonly takesPlainSessions?: boolean;
  /** Default false. */
  readonly takesProtectedSessions?: boolean;
  /** Largest message that it takes, bytes; default 0: not told. */
  readonly messageBytesMax?: number;
  /** As the endpoint's option; default that of core. */
  readonly window?: number;
}

/** How to announce a board. */
export interface AnnounceOptions extends AnnouncedFacts {
  /** Its own hardware address; default the one that the link knows. */
  readonly address?: Address;
  /** The endpoint's; default real time. */
  readonly clock?: Clock;
  /** Uniform unsigned 32-bit numbers; default the platform's cryptographic source. */
  readonly random?: () => number;
}

/**
 * Lets gateways find this board: announces it once within a second, answers queries, and announces it again and
 * again in pairing mode. PROTOCOL.md, sections 15.1 and 15.2.
 *
 * ```ts
 * const announcing = announce(board, { kind: "row-station", name: "row 7" });
 * ```
 *
 * @throws {@link PairingError} `invalid-option`
 */
export function announce(endpoint: Endpoint, options: AnnounceOptions = {}): Announcing {
  return new Announcing(endpoint, options);
}

/** A board that lets itself be found, until it is closed. Made by {@link announce}. */
export class Announcing implements Disposable {
  readonly #clock: Clock;
  readonly #announcer: Announcer;
  readonly #announcements: Sessionless;
  readonly #queries: Sessionless;
  readonly #timer: MachineTimer;
  #isClosed = false;

  /** Use {@link announce}. */
  constructor(endpoint: Endpoint, options: AnnounceOptions) {
    const { address = endpoint.address, clock = new SystemClock() } = options;
    if (!address) {
      const why = "the link does not know this side's own address: pass it";
      throw invalidOption("address", why);
    }
    this.#clock = clock;
    this.#timer = new MachineTimer(clock, () => this.#handleTimeout());
    this.#announcements = endpoint.sessionless(SESSIONLESS_KIND.announce, () => {});
    const { bodyBytesMax } = this.#announcements;
    const announcement = announcementOf(options, {
      ...UNTOLD,
      mtuBytes: bodyBytesMax + AROUND_BODY_BYTES,
    });
    const { random = platformRandom } = options;
    try {
      this.#announcer = new Announcer(
        { address: address.slice(), bodyBytesMax, announcement, random },
        clock.nowUs(),
      );
    } catch (error) {
      this.#announcements.close();
      throw error;
    }
    this.#queries = endpoint.sessionless(SESSIONLESS_KIND.query, (from, body) => {
      this.#announcer.handleQuery(from, body, clock.nowUs());
      this.#pump();
    });
    this.announceSoon();
  }

  /** What is announced now. The name is whole, also where it is cut on the way. */
  get announcement(): Announcement {
    return this.#announcer.announcement;
  }

  /** Announce this from now on. Does nothing once closed. @throws {@link PairingError} `invalid-option` */
  update(facts: AnnouncedFacts): void {
    this.#update(announcementOf(facts, this.announcement));
  }

  /** Announce that the board is in pairing mode, and which ways are open, every 400 ms or so, until it is ended. */
  startPairingMode(ways: readonly PairingWay[]): void {
    this.#update({ ...this.announcement, isInPairingMode: true, ways: [...ways] });
  }

  endPairingMode(): void {
    this.#update({ ...this.announcement, isInPairingMode: false, ways: [] });
  }

  /** Announce the board to everybody, once, at a random time within a second. */
  announceSoon(): void {
    if (this.#isClosed) return;
    this.#announcer.announceSoon(this.#clock.nowUs());
    this.#pump();
  }

  /** Announce nothing and answer nobody any more. May be called twice. */
  close(): void {
    this.#isClosed = true;
    this.#timer.clear();
    this.#announcements.close();
    this.#queries.close();
  }

  [Symbol.dispose](): void {
    this.close();
  }

  #update(announcement: Announcement): void {
    if (this.#isClosed) return;
    this.#announcer.update(announcement, this.#clock.nowUs());
    this.#pump();
  }

  #handleTimeout(): void {
    this.#announcer.handleTimeout(this.#clock.nowUs());
    this.#pump();
  }

  #pump(): void {
    const { broadcastAddress } = this.#announcements;
    for (let out = this.#announcer.pollTransmit(); out; out = this.#announcer.pollTransmit()) {
      const to = out.to ?? broadcastAddress;
      // Nothing here is acknowledged: whoever asked asks again. It fails when the endpoint is closed.
      if (to) this.#announcements.send(to, out.body).catch(() => this.close());
    }
    this.#timer.set(this.#announcer.timeoutUs);
  }
}

const UNTOLD: Announcement = {
  version: PROTOCOL_VERSION,
  isInPairingMode: false,
  takesPlainSessions: true,
  takesProtectedSessions: false,
  ways: [],
  mtuBytes: 0,
  window: Math.min(255, DEFAULT_CONFIG.window),
  messageBytesMax: 0,
  kind: "",
  name: "",
};

function announcementOf(facts: AnnouncedFacts, before: Announcement): Announcement {
  const {
    kind = before.kind,
    name = before.name,
    takesPlainSessions = before.takesPlainSessions,
    takesProtectedSessions = before.takesProtectedSessions,
    messageBytesMax = before.messageBytesMax,
    window = before.window,
  } = facts;
  const told = { kind, name, takesPlainSessions, takesProtectedSessions, messageBytesMax, window };
  return { ...before, ...told };
}
