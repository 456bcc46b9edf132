/**
 * Why a sender took a fragment for lost: `overtaken` an ack names later datagrams, and not this one;
 * `late` the same on a link that changes the order, and its time is up; `link` the link said that it
 * did not get through; `unanswered` an opening had no answer. PROTOCOL.md, sections 4.3, 7.2 and 7.3.
 */
export type LossCause = "overtaken" | "late" | "link" | "unanswered";

/** What happens on one channel that sends. Fragment numbers are those of the wire, `u16`. */
export type ChannelFact =
  | {
      readonly type: "fragment-sent";
      readonly fragment: number;
      /** Of the datagram that carries it, `u32`. */
      readonly number: number;
      /** Message bytes in it. */
      readonly bytes: number;
      readonly isRepeat: boolean;
    }
  | { readonly type: "fragment-acknowledged"; readonly fragment: number }
  | {
      readonly type: "fragment-lost";
      readonly fragment: number;
      /** Of the datagram that carried it last. */
      readonly number: number;
      readonly cause: LossCause;
    }
  /** Fragments before `limit` may be sent; `next` is the first one that the peer lacks. */
  | { readonly type: "window-told"; readonly next: number; readonly limit: number };

/** Something that the datagrams alone do not show; see the option `trace` of an endpoint. */
export type TraceFact =
  | (ChannelFact & {
      /** Address of the receiver; not to be changed. */
      readonly peer: Uint8Array;
      /** Of the wire, 0..15; PROTOCOL.md, section 5.1. */
      readonly channel: number;
    })
  /** A datagram goes out for no other reason than to ask for an ack. */
  | { readonly type: "probe-sent"; readonly peer: Uint8Array; readonly number: number };

/** Is told of each fact at once; must neither throw nor call the endpoint. */
export type TraceListener = (fact: TraceFact) => void;
