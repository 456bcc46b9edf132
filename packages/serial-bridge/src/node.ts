/**
 * Bridges at the ports of a computer, with Node's API: serial ports, and bytes over TCP.
 *
 * @packageDocumentation
 */

export { listSerialPorts } from "./node/list-ports.js";
export { type NodePortOptions, nodePortSource } from "./node/node-port.js";
export { type ProbeOptions, type ProbeResult, probePort } from "./node/probe-port.js";
export type { SerialPortInfo } from "./node/serial-system.js";
export { type TcpPortOptions, tcpPortSource } from "./node/tcp-port.js";
