/**
 * Serial ports of browsers, by the Web Serial API.
 *
 * @packageDocumentation
 */

export { type WebPortOptions, webPortSource } from "./web/web-port.js";
export type { WebSerial, WebSerialPort } from "./web/web-serial.js";
