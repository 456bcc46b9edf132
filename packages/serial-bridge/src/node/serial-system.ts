/** A serial port that is there, as far as the operating system tells. */
export interface SerialPortInfo {
  /** What to open: `/dev/ttyUSB0`, `/dev/tty.usbmodem1`, `COM3`. May change when a cable is moved. */
  readonly path: string;
  /** Serial number of the USB device: stays when the cable is moved. */
  readonly serialNumber?: string;
  readonly manufacturer?: string;
  /** Name of the USB device. */
  readonly product?: string;
  /** USB vendor, 4 hexadecimal digits. */
  readonly vendorId?: string;
  /** USB product, 4 hexadecimal digits. */
  readonly productId?: string;
}

/** Wires beside the data: the host's "ready" and "request to send". */
export interface ControlWires {
  readonly dtr: boolean;
  readonly rts: boolean;
}

/** An open port as the operating system gives it. A promise that rejects means: the port is gone. */
export interface SystemPort {
  /** Waits for at least one byte. @returns how many were put at the start of `buffer` */
  read(buffer: Buffer): Promise<number>;
  /** Resolves when the operating system has taken all of it. */
  write(bytes: Uint8Array): Promise<void>;
  set(wires: ControlWires): Promise<void>;
  close(): Promise<void>;
  /** Calls back when the port is gone, also while nothing is read. */
  onGone(callback: (why: string) => void): void;
}

/** Who may open a device file. */
export interface DeviceGroup {
  readonly name: string;
  /** Whether being in the group is enough to open the device. */
  readonly suffices: boolean;
}

/** What the sources of ports need of the operating system; tests give another. */
export interface SerialSystem {
  open(options: {
    readonly path: string;
    readonly bitRate: number;
    /** Let the wires fall when the port is closed. */
    readonly dropWiresOnClose: boolean;
  }): Promise<SystemPort>;
  list(): Promise<SerialPortInfo[]>;
  /** The group that a device file belongs to; `undefined` where there is no such thing. */
  groupOf(path: string): Promise<DeviceGroup | undefined>;
  /** The path without symbolic links; the path itself if nothing is there. */
  realPath(path: string): Promise<string>;
}
