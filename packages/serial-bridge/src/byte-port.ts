/** What a port tells its owner. Neither is called from inside `write`, nor after `close`. */
export interface PortHandlers {
  /** Bytes have come in. The array is the port's own: valid during the call only. */
  onBytes(bytes: Uint8Array): void;
  /** The port is gone: cable pulled, other end closed. Called at most once. */
  onClosed(why: string): void;
}

/** An open line of bytes: a serial port, a pseudo-terminal, a stream of a network, or memory. */
export interface BytePort {
  /** Bits per second, 10 for each byte (8N1); `undefined` where there is no such thing. */
  readonly bitRate: number | undefined;
  /**
   * Send bytes. `done` is called once, never from inside `write`, when the port takes more; not
   * after `close` or `onClosed`. The bytes stay untouched until then. One write at a time.
   */
  write(bytes: Uint8Array, done: () => void): void;
  /** Stop: nothing is called afterwards. May be called twice. */
  close(): void | Promise<void>;
}

/** Where to get a port from, again and again: it may come back under another path. */
export interface PortSource {
  /** For sentences: a path, a host and port. */
  readonly label: string;
  /**
   * Open the port.
   * @param bitRate - bits per second; a source without bit rates ignores it
   * @throws {@link SerialBridgeError} `port-not-found`, `port-busy`, `port-forbidden`, `port-failed`
   */
  open(bitRate: number, handlers: PortHandlers): Promise<BytePort>;
}
