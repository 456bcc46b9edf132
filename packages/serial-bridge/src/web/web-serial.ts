/**
 * The parts of the Web Serial API that are used here, as types of our own: what a browser has fits.
 *
 * @see Web Serial API, draft of the Web Incubator Community Group, https://wicg.github.io/serial/
 */

/** `SerialPort` of a browser. */
export interface WebSerialPort {
  readonly readable: ReadableStream<Uint8Array> | null;
  readonly writable: WritableStream<Uint8Array> | null;
  open(options: { readonly baudRate: number; readonly bufferSize?: number }): Promise<void>;
  close(): Promise<void>;
  getInfo(): { readonly usbVendorId?: number; readonly usbProductId?: number };
  addEventListener(type: "disconnect", listener: () => void): void;
  removeEventListener(type: "disconnect", listener: () => void): void;
}

/** `navigator.serial` of a browser. */
export interface WebSerial {
  /** Ports that are there and that the user has allowed. */
  getPorts(): Promise<readonly WebSerialPort[]>;
}
