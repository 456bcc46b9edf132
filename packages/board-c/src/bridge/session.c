/* What the frames of the host do: BRIDGE.md, sections 4, 6, 7 and 10. */
#include <string.h>

#include "parts.h"

#define HELLO_REQUEST_BYTES 7

void fdb_say_hello(fardel_bridge *bridge, uint32_t host) {
  bridge->hello_host = host;
  bridge->hello_channel = bridge->channel;
  bridge->flags |= HELLO_WAITS;
}

/* Without a session: at most once in 100 ms. */
static void say_unasked_hello(fardel_bridge *bridge, uint32_t now_us) {
  int is_early = !fdb_is_due(bridge->unasked_hello_us + UNASKED_HELLO_US, now_us);
  if ((bridge->flags & UNASKED_HELLO_SAID) && is_early) return;
  bridge->flags |= UNASKED_HELLO_SAID;
  bridge->unasked_hello_us = now_us;
  fdb_say_hello(bridge, 0);
}

void fdb_answer_channel(fardel_bridge *bridge, uint8_t request, uint8_t result) {
  bridge->answer_channel = bridge->channel;
  /* An answer that waits tells of a change that nobody asked for, too. */
  if (request == 0 && (bridge->flags & ANSWER_WAITS)) return;
  bridge->flags |= ANSWER_WAITS;
  bridge->answer_request = request;
  bridge->answer_result = result;
}

/* What the host handed over goes out all the same: it may have said farewell to somebody, too. */
void fdb_end_session(fardel_bridge *bridge) {
  bridge->host = 0;
  bridge->flags &= (uint8_t)~CHANNEL_WANTED;
  fdb_forget_output(bridge);
}

static void begin_session(fardel_bridge *bridge, uint32_t host, uint32_t now_us) {
  bridge->host = host;
  bridge->host_silent_us = now_us + HOST_SILENCE_US;
  bridge->flags &= (uint8_t) ~(CHANNEL_WANTED | HAS_IMPLIED_TO);
  fdb_empty_queue(bridge);
  fdb_reset_ledger(bridge);
  fdb_forget_output(bridge);
}

static uint32_t get_u32(const uint8_t *at) {
  return (uint32_t)at[0] << 24 | (uint32_t)at[1] << 16 | (uint32_t)at[2] << 8 | at[3];
}

/* Each of these returns 0, or -1 for a frame that no host sends. */

static int hello_request(fardel_bridge *bridge, const uint8_t *body, uint16_t bytes,
                         uint32_t now_us) {
  if (bytes < HELLO_REQUEST_BYTES) return -1;
  uint8_t least = body[1];
  uint8_t most = body[2];
  uint32_t host = get_u32(body + 3);
  if (host == 0 || least == 0 || least > most) return -1;
  if (least > VERSION) {
    /* No common version: only who answers is told. */
    fdb_end_session(bridge);
  } else if (host != bridge->host) {
    begin_session(bridge, host, now_us);
  }
  fdb_say_hello(bridge, host);
  return 0;
}

static int take(fardel_bridge *bridge, uint8_t token, const uint8_t *datagram, uint16_t bytes) {
  uint32_t number;
  if (fdb_take_token(bridge, token, &number) < 0) return -1;
  uint8_t outcome = FARDEL_BRIDGE_NOT_TAKEN;
  if (bytes <= bridge->config->mtu_bytes) {
    if (fdb_hold(bridge, number, bridge->implied_to, datagram, bytes) == 0) return 0;
    outcome = OUTCOME_QUEUE_FULL;
  }
  bridge->counts[COUNT_REFUSED]++;
  fdb_finish_token(bridge, number, outcome);
  return 0;
}

static int send(fardel_bridge *bridge, const uint8_t *body, uint16_t bytes, uint32_t now_us) {
  uint8_t head = 2;
  if (body[0] == TYPE_SEND) head = (uint8_t)(head + bridge->config->address_bytes);
  if (bytes < head) return -1;
  if (body[0] == TYPE_SEND) {
    /* It is right whatever becomes of the datagram: short frames behind it mean it. */
    memcpy(bridge->implied_to, body + 2, bridge->config->address_bytes);
    bridge->flags |= HAS_IMPLIED_TO;
  } else if (!(bridge->flags & HAS_IMPLIED_TO)) {
    return -1;
  }
  if (bridge->host) return take(bridge, body[1], body + head, (uint16_t)(bytes - head));
  say_unasked_hello(bridge, now_us);
  return 0;
}

static void ask_channel(fardel_bridge *bridge, uint8_t request, uint8_t channel) {
  if (!bridge->config->set_channel) {
    fdb_answer_channel(bridge, request, CHANNEL_CANNOT);
  } else if (bridge->held > 0) {
    fdb_answer_channel(bridge, request, CHANNEL_BUSY);
  } else {
    bridge->flags |= CHANNEL_WANTED;
    bridge->flags &= (uint8_t)~CHANNEL_TOLD;
    bridge->wanted_request = request;
    bridge->wanted_channel = channel;
  }
}

static int question(fardel_bridge *bridge, const uint8_t *body, uint16_t bytes, uint32_t now_us) {
  uint8_t type = body[0];
  if (bytes < 2 || body[1] == 0) return -1;
  if (type == TYPE_CHANNEL_REQUEST && (bytes < 3 || body[2] == 0)) return -1;
  if (!bridge->host) {
    say_unasked_hello(bridge, now_us);
  } else if (type == TYPE_CHANNEL_REQUEST) {
    ask_channel(bridge, body[1], body[2]);
  } else if (type == TYPE_STATUS_REQUEST) {
    bridge->status_request = body[1];
  } else {
    bridge->statistics_request = body[1];
  }
  return 0;
}

void fdb_handle_body(fardel_bridge *bridge, const uint8_t *body, uint16_t bytes, uint32_t now_us) {
  int result = 0;
  if (bridge->host) bridge->host_silent_us = now_us + HOST_SILENCE_US;
  switch (body[0]) {
    case TYPE_HELLO_REQUEST:
      result = hello_request(bridge, body, bytes, now_us);
      break;
    case TYPE_SEND:
    case TYPE_SEND_AGAIN:
      result = send(bridge, body, bytes, now_us);
      break;
    case TYPE_CHANNEL_REQUEST:
    case TYPE_STATUS_REQUEST:
    case TYPE_STATISTICS_REQUEST:
      result = question(bridge, body, bytes, now_us);
      break;
    case TYPE_GOODBYE:
      fdb_end_session(bridge);
      break;
    default:
      bridge->counts[COUNT_UNKNOWN_TYPE]++;
  }
  if (result < 0) bridge->counts[COUNT_DAMAGED]++;
}
