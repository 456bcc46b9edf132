import type { Message, Way } from "@fardel/core";
import { messageBody, numberIn, sameBytes } from "./bodies.js";

/** A message of a run. Stations: 0 is the gateway, boards count from 1. */
export interface Mail {
  /** From 0, in the order in which they were sent. */
  readonly number: number;
  /** Which of the scenario's `messages` it is one of, from 0. */
  readonly entry: number;
  readonly from: number;
  readonly to: number;
  readonly bytes: number;
  readonly way: Way;
  readonly sentUs: number;
  deliveredUs?: number;
}

/** What must never happen, whatever the channel does. */
export type Breach = "altered or never sent" | "delivered twice" | "out of order";

/** Everything sent in one run, to check what arrives against it. */
export class MailBook {
  readonly #mails: Mail[] = [];
  /** Too short to say their number: by what they look like, oldest first. */
  readonly #short = new Map<string, Mail[]>();
  /** Number of the last message delivered on each ordered or latest-value channel. */
  readonly #last = new Map<string, number>();

  get mails(): readonly Mail[] {
    return this.#mails;
  }

  /** Enters a message that is about to be sent, and makes its content. */
  enter(fields: Omit<Mail, "number">): { readonly mail: Mail; readonly body: Uint8Array } {
    const mail: Mail = { ...fields, number: this.#mails.length };
    this.#mails.push(mail);
    const body = messageBody(mail.number, mail.bytes);
    if (numberIn(body) === undefined) {
      const key = shortKey(mail.from, mail.to, mail.way, body);
      const alike = this.#short.get(key);
      if (alike) alike.push(mail);
      else this.#short.set(key, [mail]);
    }
    return { mail, body };
  }

  /** A message has arrived. @returns which one, or what is wrong with it */
  deliver(from: number, to: number, message: Message, nowUs: number): Mail | Breach {
    const mail = this.#find(from, to, message);
    if (mail === undefined) return "altered or never sent";
    if (mail.deliveredUs !== undefined) return "delivered twice";
    mail.deliveredUs = nowUs;
    if (message.way !== "ordered" && message.way !== "latest") return mail;
    const lane = `${from} ${to} ${message.way} ${message.channel}`;
    const last = this.#last.get(lane) ?? -1;
    if (mail.number < last) return "out of order";
    this.#last.set(lane, mail.number);
    return mail;
  }

  #find(from: number, to: number, { bytes, way }: Message): Mail | undefined {
    const number = numberIn(bytes);
    if (number === undefined) {
      // Messages that look alike cannot be told apart: the oldest one that has not come is meant.
      const alike = this.#short.get(shortKey(from, to, way, bytes)) ?? [];
      return alike.length > 1 && alike[0]?.deliveredUs !== undefined ? nextOf(alike) : alike[0];
    }
    const mail = this.#mails[number];
    const isMeant = mail?.from === from && mail.to === to && mail.way === way;
    return isMeant && sameBytes(bytes, messageBody(mail.number, mail.bytes)) ? mail : undefined;
  }
}

/** Drops those that have arrived from the front. */
function nextOf(alike: Mail[]): Mail | undefined {
  while (alike.length > 1 && alike[0]?.deliveredUs !== undefined) alike.shift();
  return alike[0];
}

function shortKey(from: number, to: number, way: Way, body: Uint8Array): string {
  return `${from} ${to} ${way} ${body.join(".")} ${body.length}`;
}
