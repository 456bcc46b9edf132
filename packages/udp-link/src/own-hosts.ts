import { networkInterfaces } from "node:os";

/**
 * The IP addresses that datagrams from this computer come from: a broadcast also comes back to
 * whoever sent it, and must be known by its sender's address.
 */
export class OwnHosts {
  readonly #isEverywhere: boolean;
  #hosts: ReadonlySet<string>;

  /** @param host - the address that the link is bound to, as the system writes it */
  constructor(host: string) {
    this.#isEverywhere = host === "0.0.0.0" || host === "::";
    this.#hosts = new Set([withoutZone(host)]);
    this.refresh();
  }

  /**
   * Looks again which addresses this computer has. A link that is bound to all of them does so before
   * each broadcast, since networks come and go: what comes back then has an address that is known.
   */
  refresh(): void {
    if (this.#isEverywhere) this.#hosts = new Set(ownHosts());
  }

  has(host: string): boolean {
    return this.#hosts.has(host);
  }
}

/** All IP addresses of this computer, without zones. */
export function ownHosts(): string[] {
  return Object.values(networkInterfaces()).flatMap((addresses = []) =>
    addresses.map(({ address }) => withoutZone(address)),
  );
}

/** An address of one interface may come as `fe80::1%eth0`. */
export function withoutZone(host: string): string {
  const [address = host] = host.split("%", 1);
  return address;
}
