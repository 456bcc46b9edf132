/** First byte of a body. @see BRIDGE.md, section 3 */
export const TYPE = {
  helloRequest: 0x01,
  send: 0x02,
  sendAgain: 0x03,
  channelRequest: 0x04,
  statusRequest: 0x05,
  statisticsRequest: 0x06,
  goodbye: 0x07,
  hello: 0x81,
  received: 0x82,
  receivedAgain: 0x83,
  channel: 0x84,
  status: 0x85,
  statistics: 0x86,
  log: 0x87,
} as const;

/** What a frame is called in BRIDGE.md, by its type. */
export const TYPE_NAMES: ReadonlyMap<number, string> = new Map([
  [TYPE.helloRequest, "HELLO?"],
  [TYPE.send, "SEND"],
  [TYPE.sendAgain, "SEND-AGAIN"],
  [TYPE.channelRequest, "CHANNEL?"],
  [TYPE.statusRequest, "STATUS?"],
  [TYPE.statisticsRequest, "STATISTICS?"],
  [TYPE.goodbye, "GOODBYE"],
  [TYPE.hello, "HELLO"],
  [TYPE.received, "RECEIVED"],
  [TYPE.receivedAgain, "RECEIVED-AGAIN"],
  [TYPE.channel, "CHANNEL"],
  [TYPE.status, "STATUS"],
  [TYPE.statistics, "STATISTICS"],
  [TYPE.log, "LOG"],
]);
