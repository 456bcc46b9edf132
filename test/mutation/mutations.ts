/** One way to break the core: in one file of it, text that stands there once becomes other text. */
export interface Mutation {
  /** What is broken, in words. */
  readonly name: string;
  /** Relative to `packages/core/src`. */
  readonly file: string;
  readonly find: string;
  readonly replace: string;
}

/** What a person might get wrong in each part of PROTOCOL.md, in its order. */
export const MUTATIONS: readonly Mutation[] = [
  {
    name: "the CRC-16 of a datagram is not compared (2.4)",
    file: "wire/datagram.ts",
    find: "=== CRC16_GOOD",
    replace: ">= 0",
  },
  {
    name: "a datagram number may come twice (2.3)",
    file: "protocol/replay-window.ts",
    find: "return ((this.#word(number) >>> (number & 31)) & 1) === 0;",
    replace: "return true;",
  },
  {
    name: "a datagram that is too old to tell is taken (2.3)",
    file: "protocol/replay-window.ts",
    find: "if (this.highest - number >= REPLAY_WINDOW) return false;",
    replace: "if (this.highest - number >= REPLAY_WINDOW) return true;",
  },
  {
    name: "the ring of numbers is not cleared as it turns (2.3)",
    file: "protocol/replay-window.ts",
    find: "this.#word(n) & ~(1 << (n & 31))",
    replace: "this.#word(n)",
  },
  {
    name: "a short number is completed one turn too low (2.3)",
    file: "protocol/replay-window.ts",
    find: "if (ahead <= AHEAD_MAX) return this.highest + ahead;",
    replace: "if (ahead <= AHEAD_MAX) return this.highest + ahead - (ahead > 64 ? 0x10000 : 0);",
  },
  {
    name: "an unverified peer is sent more than it sent (4.3)",
    file: "protocol/session.ts",
    find: "return this.datagramsSent < this.datagramsReceived ? this.bytesReceived - this.bytesSent : 0;",
    replace: "return 4 * this.bytesReceived;",
  },
  {
    name: "the opener never owes a confirmation (4.3)",
    file: "protocol/session.ts",
    find: "this.confirmDueUs = nowUs + (hasRequest ? 0 : this.environment.config.confirmDelayUs);",
    replace: "void hasRequest;",
  },
  {
    name: "the peer's token is not compared in a long datagram (4.4)",
    file: "protocol/peer.ts",
    find: "if (session.peerToken === head.tokenFrom) {",
    replace: "if (session.peerToken !== 0) {",
  },
  {
    name: "tokens of ended sessions are forgotten (4.4)",
    file: "protocol/peer.ts",
    find: "if (this.#endedTokens.includes(head.tokenFrom)) {",
    replace: "if (this.#endedTokens.length > 1000) {",
  },
  {
    name: "a fragment before the first missing one is taken again (5.3)",
    file: "protocol/receive-channel.ts",
    find: 'if (ahead >= 0x8000) return "duplicate";',
    replace: 'if (ahead >= 0xffff) return "duplicate";',
  },
  {
    name: "a fragment beyond the window is taken (5.3)",
    file: "protocol/receive-channel.ts",
    find: 'if (ahead >= this.limits.window) return "dropped";',
    replace: 'if (ahead > 4 * this.limits.window) return "dropped";',
  },
  {
    name: "a contradicting fragment passes for a duplicate (5.3)",
    file: "protocol/receive-channel.ts",
    find: "if (present && hasSameShape(present, frame)) return",
    replace: "if (present) return",
  },
  {
    name: "the CRC-32 of a message is not compared (5.3)",
    file: "protocol/reassembly.ts",
    find: "return updateCrc32(this.#crc32, lastBytes) === crc32;",
    replace: "return updateCrc32(this.#crc32, lastBytes) >= 0;",
  },
  {
    name: "the told total of a message is not compared (5.3)",
    file: "protocol/reassembly.ts",
    find: "if (this.totalBytes !== undefined && length !== this.totalBytes) return false;",
    replace: "",
  },
  {
    name: "a newer value does not pass over older ones (5.3)",
    file: "protocol/receive-channel.ts",
    find: 'if (this.way === "latest") this.#passOver(fragment);\n      return "taken";\n    }\n    if (!this.#reorder.keep',
    replace: 'return "taken";\n    }\n    if (!this.#reorder.keep',
  },
  {
    name: "a SKIP of any distance is believed (5.4)",
    file: "protocol/receive-channel.ts",
    find: "if (ahead > SKIP_DISTANCE_MAX) return false;",
    replace: "",
  },
  {
    name: "SKIP throws away what is complete (5.4)",
    file: "protocol/receive-channel.ts",
    find: "if (isBlocked && this.#reorder.reachesEnd(this.#next)) return true;",
    replace: "",
  },
  {
    name: "giving up does not use a number that was never sent (5.4)",
    file: "protocol/send-channel.ts",
    find: 'this.#freshSlot(message).state = "given-up";\n      this.#cutNext = serialAdd(this.#cutNext, 1);\n',
    replace: "",
  },
  {
    name: "an older value is not given up for a newer one (5.5)",
    file: "protocol/peer.ts",
    find: "session.sender.replaceOlder(message);",
    replace: "",
  },
  {
    name: "a datagram that asks is not answered at once (6)",
    file: "protocol/ack-policy.ts",
    find: "      this.#askedUs = nowUs;\n    } else if (ask !== ASK.none)",
    replace: "      this.#quietUs = nowUs + 60_000_000;\n    } else if (ask !== ASK.none)",
  },
  {
    name: "silence never makes an ack due (6)",
    file: "protocol/ack-policy.ts",
    find: "this.#quietUs = nowUs + this.delayUs;",
    replace: "",
  },
  {
    name: "an announced question that does not come is not made up for (6)",
    file: "protocol/ack-policy.ts",
    find: "this.#askedUs = nowUs + Math.ceil(spacings * this.#spacingUs);",
    replace: "void spacings;",
  },
  {
    name: "an ack is off by one (6)",
    file: "protocol/send-channel.ts",
    find: "const reach = serialDistance(this.#base, frame.next);",
    replace: "const reach = serialDistance(this.#base, frame.next) + 1;",
  },
  {
    name: "the map of an ack is read off by one (6)",
    file: "protocol/send-channel.ts",
    find: "const fragment = serialAdd(frame.next, bit + 1);",
    replace: "const fragment = serialAdd(frame.next, bit + 2);",
  },
  {
    name: "an older ack sets the window back (6, 8)",
    file: "protocol/send-channel.ts",
    find: "if (carrier > this.#windowNumber && !isOld) {",
    replace: "if (!isOld) {",
  },
  {
    name: "an ack for what was never sent is believed (6, 11)",
    file: "protocol/send-channel.ts",
    find: "if (!isOld && advance > sent) return UNSOUND;",
    replace: "",
  },
  {
    name: "a loss is not noticed (7.2)",
    file: "protocol/send-channel.ts",
    find: "if (slot.number <= largest - reordering || isLate(slot)) {",
    replace: "if (slot.number <= largest - reordering - 64 || isLate(slot)) {",
  },
  {
    name: "the link's word that the neighbour did not get it is ignored (7.3)",
    file: "protocol/send-channel.ts",
    find: '      if (slot.number !== number) return;\n      this.#leaveState(slot, "lost");',
    replace:
      '      if (slot.number !== number + 1e9) return;\n      this.#leaveState(slot, "lost");',
  },
  {
    name: "the probe timer does not run (7.4)",
    file: "protocol/probe-timer.ts",
    find: ": this.#startUs + this.intervalUs(this.count);",
    replace: ": Number.POSITIVE_INFINITY;",
  },
  {
    name: "the probe timer does not back off (7.4)",
    file: "protocol/probe-timer.ts",
    find: "this.#baseUs() * 2 ** doublings",
    replace: "this.#baseUs() * 2 ** (doublings && 0)",
  },
  {
    name: "the probe timer is not armed anew when the link is up (7.4)",
    file: "protocol/probe-timer.ts",
    find: "if (this.awaited >= 0) this.restart(nowUs);",
    replace: "",
  },
  {
    name: "a silent peer is never given up (7.4)",
    file: "protocol/probe-timer.ts",
    find: "return Math.max(this.#waitingSinceUs, this.#heardUs) + this.limits.unreachableUs;",
    replace: "return Number.POSITIVE_INFINITY;",
  },
  {
    name: "a window that closed is never told to be open (8)",
    file: "protocol/receive-channel.ts",
    find: "return this.window - statedRoom >= Math.max(1, largest >>> 1);",
    replace: "return this.window - statedRoom >= 1e9 + largest;",
  },
  {
    name: "a budget is not asked (8, 11)",
    file: "protocol/budget.ts",
    find: "if (this.freeBytes < bytes) return false;",
    replace: "",
  },
  {
    name: "what is given back counts for one limit only (8, 11)",
    file: "protocol/budget.ts",
    find: "this.#held += bytes;\n    for (const parent of this.#parents) parent.#add(bytes);",
    replace:
      "this.#held += bytes;\n    if (bytes > 0) for (const parent of this.#parents) parent.#add(bytes);",
  },
  {
    name: "priorities are alike (9)",
    file: "protocol/channels.ts",
    find: "{ bulk: 0, normal: 1, urgent: 2 }",
    replace: "{ bulk: 0, normal: 0, urgent: 0 }",
  },
  {
    name: "the end of an urgent message does not ask (6)",
    file: "protocol/compose.ts",
    find: " || this.#endsUrgent()) return ASK.now;",
    replace: ") return ASK.now;",
  },
  {
    name: "a claimed token is believed for good (4.2)",
    file: "protocol/peer.ts",
    find: 'const isClaim = session.phase !== "open" && session.peerToken !== head.tokenFrom;',
    replace: "const isClaim = session.peerToken === 0;",
  },
  {
    name: "NO-SESSION ends what was never open (4.4)",
    file: "protocol/session.ts",
    find: "if (this.isVerified || !this.#isOpener || this.peerToken === 0) return true;",
    replace: "return true;",
  },
  {
    name: "a token that was replaced may open again (4.4)",
    file: "protocol/peer.ts",
    find: "else if (session.peerToken === 0) this.#rememberEnded(peerToken);",
    replace: "",
  },
  {
    name: "an opening may say anything (4.3)",
    file: "protocol/peer.ts",
    find: 'return type === "hello" || type === "data" || type === "loose";',
    replace: 'return type !== "no-session";',
  },
  {
    name: "several messages of a channel go before the peer is verified (4.3)",
    file: "protocol/send-channel.ts",
    find: "this.#base === this.#cutNext &&",
    replace: "",
  },
  {
    name: "an overtaken message is sent again (10)",
    file: "protocol/peer.ts",
    find: 'const isOutOfOrder = message.isOvertaken && wayOfChannel(message.channel) === "ordered";',
    replace: "const isOutOfOrder = false;",
  },
  {
    name: "answers go on in the next session (10)",
    file: "protocol/peer.ts",
    find: "    this.#failAnswers();\n",
    replace: "",
  },
  {
    name: "a stream smaller than a fragment stays shut (8)",
    file: "protocol/receive-channel.ts",
    find: "return unreadBytes > 0 ? room : Math.max(room, this.#wantedBytes);",
    replace: "return room;",
  },
  {
    name: "what waits for a stream's reader is dropped at the end of a session (10)",
    file: "protocol/receive-channel.ts",
    find: "      !this.#isClosing &&\n      reassembly.unreadBytes > 0 &&",
    replace: "      reassembly.unreadBytes > 0 &&",
  },
  {
    name: "streams that wait are not counted (11)",
    file: "protocol/peer-sink.ts",
    find: "return this.peer.streamsWaiting < STREAMS_WAITING_MAX;",
    replace: "return true;",
  },
  {
    name: "acks of many channels begin with the same one each time (6)",
    file: "protocol/receiver.ts",
    find: "    this.#channels.push(...this.#channels.splice(0, 1));\n",
    replace: "",
  },
  {
    name: "parts of unacknowledged messages are kept for ever (11)",
    file: "protocol/loose.ts",
    find: "if ((this.#lanes[lane]?.begunUs ?? nowUs) + LOOSE_WAIT_US <= nowUs) this.#drop(lane);",
    replace: "",
  },
  {
    name: "strangers hold parts of messages (11)",
    file: "protocol/session.ts",
    find: "(this.isVerified || !frame.fragmented) && this.looseReceiver",
    replace: "this.looseReceiver",
  },
  {
    name: "NO-SESSION goes before everything (9)",
    file: "protocol/protocol.ts",
    find: "(this.#sinceAnswer < ANSWER_EVERY ? undefined : this.#pollAnswer(buffer)) ??",
    replace: "this.#pollAnswer(buffer) ??",
  },
  {
    name: "a cancelled stream of an ended session asks for an ack (10)",
    file: "protocol/peer.ts",
    find: "    if (!channel) return;\n    channel.cancelStream(stream);",
    replace: "    channel?.cancelStream(stream);",
  },
  {
    name: "a forgotten peer stays in the ready list (11)",
    file: "protocol/protocol.ts",
    find: "    this.#ready.forget(peer);\n",
    replace: "",
  },
  {
    name: "NO-SESSION counts whatever it answers (4.4)",
    file: "protocol/session.ts",
    find: "if (number < this.#tokenSince || number >= this.nextNumber) return false;",
    replace: "",
  },
  {
    name: "a candidate with the session's peer token is kept (4.4)",
    file: "protocol/peer.ts",
    find: "if (this.candidate?.peerToken === tokenFrom) this.candidate = undefined;",
    replace: "",
  },
  {
    name: "a newer ack may take back what an older one said (6)",
    file: "protocol/send-channel.ts",
    find: "if (isOld && carrier > this.#windowNumber) return CONTRARY;",
    replace: "",
  },
  {
    name: "a fragment that cannot be what it says is waited for (5.3)",
    file: "protocol/receive-channel.ts",
    find: "if (!this.#passDamaged(arrived)) return;\n          continue;",
    replace: "return;",
  },
  {
    name: "a link that says sent at once is believed to have sent (7.2)",
    file: "protocol/session.ts",
    find: "asked.leftUs < asked.handedUs + TELLING_SEND_US_MIN",
    replace: "asked.leftUs < 0",
  },
  {
    name: "an opening answered by NO-SESSION is repeated with the same token (4.4)",
    file: "protocol/session.ts",
    find: "if (!this.isVerified && number >= this.#openedFrom && number < this.#openedTo) return true;",
    replace: "",
  },
  {
    name: "the newest questions are remembered, not the oldest (7.1)",
    file: "protocol/session.ts",
    find: "if (this.#asked.length < ASKED_MAX) ",
    replace: "if (this.#asked.length >= ASKED_MAX) this.#asked.shift();\n      ",
  },
  {
    name: "a message given up does not let a closed window be asked about (8)",
    file: "protocol/peer.ts",
    find: "    this.session?.noteWindows(nowUs);\n",
    replace: "",
  },
];
