import { spawnSync } from "node:child_process";
import { existsSync, writeFileSync } from "node:fs";

/** TUN device of each namespace. Only names within one namespace can collide. */
export const DEVICE = "air";
/** One IP datagram is one frame of the reference channel. */
export const IP_MTU_BYTES = 250;
/** Without options: IPv4 20 (RFC 791), UDP 8 (RFC 768). */
export const IP_UDP_HEADER_BYTES = 28;

/**
 * For the namespace that this process is in. IPv6 needs 1280 bytes (RFC 8200, section 5), so that the
 * device would be without it in any case; TCP remembers nothing from one run to the next.
 */
export function setUpNamespace(address: string): void {
  ip("tuntap", "add", "dev", DEVICE, "mode", "tun");
  setKernel("net/ipv6/conf/all/disable_ipv6", 1);
  setKernel("net/ipv4/tcp_no_metrics_save", 1);
  ip("address", "add", `${address}/24`, "dev", DEVICE);
  ip("link", "set", "lo", "up");
  ip("link", "set", DEVICE, "mtu", String(IP_MTU_BYTES), "up");
}

/**
 * Which congestion control TCP uses to this address. By route: the kernel lets a namespace choose from
 * all there are in this way without changing anything outside of it.
 */
export function useCongestionControl(other: string, name: string): void {
  ip("route", "replace", `${other}/32`, "dev", DEVICE, "congctl", name);
}

function ip(...args: string[]): void {
  const { status, stderr, error } = spawnSync("ip", args, { encoding: "utf8" });
  if (status === 0) return;
  throw new Error(`ip ${args.join(" ")}: ${error?.message ?? stderr.trim()}`);
}

/** A setting that this kernel does not have needs no setting. */
function setKernel(name: string, value: number): void {
  const file = `/proc/sys/${name}`;
  if (existsSync(file)) writeFileSync(file, String(value));
}
