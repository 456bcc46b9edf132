/** Datagrams with fragments in them, lost one right after the other, that are worth an event. */
export const LOSS_RUN_MIN = 8;
/** Peers whose runs are kept at once; those of more are not noticed. */
const PEERS_MAX = 16_384;

interface Run {
  /** Number of the last datagram in it. */
  number: number;
  length: number;
}

/** Finds datagrams that were lost in a row. A run is told once, when it is long enough. */
export class LossRuns {
  readonly #runs = new Map<string, Run>();

  /**
   * @param number - of the lost datagram, `u32`; a session counts its datagrams without a hole
   * @returns the length of a run that has just become long enough
   */
  noteLost(peer: string, number: number): number | undefined {
    const run = this.#runs.get(peer);
    if (!run) {
      if (this.#runs.size < PEERS_MAX) this.#runs.set(peer, { number, length: 1 });
      return undefined;
    }
    // Several fragments of one datagram are lost together.
    if (number === run.number) return undefined;
    run.length = number === (run.number + 1) % 2 ** 32 ? run.length + 1 : 1;
    run.number = number;
    return run.length === LOSS_RUN_MIN ? run.length : undefined;
  }

  /** Its session is over: numbers begin anew. */
  forget(peer: string): void {
    this.#runs.delete(peer);
  }
}
