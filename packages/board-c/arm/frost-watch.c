#include "frost-watch.h"

#include <string.h>

#include "board.h"
#include "sha256.h"

enum { HASH_BYTES = 32, COMMAND_BYTES = 12, REPLY_BYTES = 112, CHANNEL_LOG = 1 };
/* The log waits so long for the end of the session that it was asked in; between attempts. */
#define LOG_AFTER_US 2000000u
#define LOG_AGAIN_US 500000u

static fardel_endpoint *endpoint;

/* The request that comes in, one at a time. */
static struct {
  sha256 digest;
  uint32_t bytes;
  uint16_t id;
  uint8_t is_open;
  uint8_t channel;
  uint8_t address[FARDEL_ADDRESS_BYTES];
  /* Its first bytes: it may be a command. */
  uint8_t command[COMMAND_BYTES];
} incoming;
/* Somebody was told to wait. */
static uint8_t is_one_waiting;

static fardel_message reply;
static uint8_t reply_bytes[REPLY_BYTES];

static fardel_message night_log;
static uint8_t log_is_wanted;
static uint32_t log_due_us;
static uint8_t log_address[FARDEL_ADDRESS_BYTES];

/* ---- Replies ---- */

static uint8_t *put_text(uint8_t *to, const char *text) {
  size_t count = 0;
  while (text[count] != 0) count++;
  *to++ = (uint8_t)(0xA0 | count);
  memcpy(to, text, count);
  return to + count;
}

static uint8_t *put_number(uint8_t *to, uint32_t number) {
  *to++ = 0xCE;
  for (int bits = 24; bits >= 0; bits -= 8) *to++ = (uint8_t)(number >> bits);
  return to;
}

static uint8_t *put_hash(uint8_t *to, const uint8_t *hash) {
  static const char digits[] = "0123456789abcdef";
  *to++ = 0xD9;
  *to++ = 2 * HASH_BYTES;
  for (int index = 0; index < HASH_BYTES; index++) {
    *to++ = (uint8_t)digits[hash[index] >> 4];
    *to++ = (uint8_t)digits[hash[index] & 15];
  }
  return to;
}

static uint16_t compose_reply(int is_log, uint32_t bytes, const uint8_t *hash) {
  uint8_t *to = reply_bytes;
  *to++ = 0x83;
  to = put_number(put_text(to, is_log ? "logBytes" : "bytes"), bytes);
  to = put_hash(put_text(to, is_log ? "logSha256" : "sha256"), hash);
  to = put_number(put_text(to, "stack"), (uint32_t)board_stack_bytes());
  return (uint16_t)(to - reply_bytes);
}

/* ---- The log ---- */

static int read_log(fardel_message *message, uint32_t offset, uint8_t *into, uint16_t count) {
  (void)message;
  for (uint16_t index = 0; index < count; index++)
    into[index] = (uint8_t)((offset + index) * 0x9E3779B1u >> 24);
  return 0;
}

static void hash_log(uint32_t bytes, uint8_t *hash) {
  sha256_begin(&incoming.digest);
  for (uint32_t offset = 0; offset < bytes; offset++) {
    uint8_t byte;
    read_log(&night_log, offset, &byte, 1);
    sha256_add(&incoming.digest, &byte, 1);
  }
  sha256_end(&incoming.digest, hash);
}

/* @returns N of "log N", or 0 if that is not what was asked */
static uint32_t wanted_log(void) {
  uint32_t bytes = 0;
  if (incoming.bytes < 5 || incoming.bytes > COMMAND_BYTES) return 0;
  if (memcmp(incoming.command, "log ", 4) != 0) return 0;
  for (uint32_t at = 4; at < incoming.bytes; at++) {
    uint8_t digit = (uint8_t)(incoming.command[at] - '0');
    if (digit > 9) return 0;
    bytes = 10 * bytes + digit;
  }
  return bytes;
}

static void plan_log(uint32_t bytes, uint32_t now_us) {
  memset(&night_log, 0, sizeof night_log);
  night_log.read = read_log;
  night_log.length = bytes;
  night_log.channel = CHANNEL_LOG;
  night_log.priority = FARDEL_BULK;
  memcpy(log_address, incoming.address, sizeof log_address);
  log_is_wanted = 1;
  log_due_us = now_us + LOG_AFTER_US;
}

/* ---- Requests ---- */

static void answer(void) {
  uint8_t hash[HASH_BYTES];
  uint32_t log_bytes = night_log.state ? 0 : wanted_log();
  if (log_bytes > 0) {
    hash_log(log_bytes, hash);
    plan_log(log_bytes, board_now_us());
  } else {
    sha256_end(&incoming.digest, hash);
  }
  reply.bytes = reply_bytes;
  reply.length = compose_reply(log_bytes > 0, log_bytes > 0 ? log_bytes : incoming.bytes, hash);
  reply.channel = incoming.channel;
  reply.kind = FARDEL_REPLY;
  reply.id = incoming.id;
  reply.priority = FARDEL_NORMAL;
  fardel_send(endpoint, incoming.address, &reply, board_now_us());
}

static int is_of_incoming(const fardel_arrival *arrival) {
  return incoming.is_open && incoming.channel == arrival->channel &&
         memcmp(incoming.address, arrival->address, sizeof incoming.address) == 0;
}

static int begin(const fardel_arrival *arrival) {
  if (incoming.is_open || reply.state) {
    is_one_waiting = 1;
    return FARDEL_BUSY;
  }
  sha256_begin(&incoming.digest);
  incoming.bytes = 0;
  incoming.is_open = 1;
  /* Later pieces do not tell it. */
  incoming.id = arrival->id;
  incoming.channel = arrival->channel;
  memcpy(incoming.address, arrival->address, sizeof incoming.address);
  return FARDEL_TAKEN;
}

int frost_watch_receive(void *context, const fardel_arrival *arrival) {
  (void)context;
  if (arrival->part & FARDEL_BROKEN) {
    if (is_of_incoming(arrival)) incoming.is_open = 0;
    return FARDEL_TAKEN;
  }
  if (arrival->part & FARDEL_FIRST) {
    if (arrival->kind != FARDEL_REQUEST) return FARDEL_UNWANTED;
    if (begin(arrival) == FARDEL_BUSY) return FARDEL_BUSY;
  }
  if (!is_of_incoming(arrival) || arrival->offset != incoming.bytes)
    board_halt("a piece that does not belong to what came before");
  for (uint16_t at = 0; at < arrival->count && incoming.bytes + at < COMMAND_BYTES; at++)
    incoming.command[incoming.bytes + at] = arrival->bytes[at];
  sha256_add(&incoming.digest, arrival->bytes, arrival->count);
  incoming.bytes += arrival->count;
  if (arrival->part & FARDEL_LAST) {
    incoming.is_open = 0;
    answer();
  }
  return FARDEL_TAKEN;
}

void frost_watch_ended(void *context, fardel_message *message, int result) {
  (void)context;
  board_wake();
  if (message != &night_log) return;
  log_is_wanted = result != FARDEL_DELIVERED;
  log_due_us = board_now_us() + LOG_AGAIN_US;
}

void frost_watch_session(void *context, const uint8_t *address, int what, int reason) {
  (void)context;
  (void)reason;
  if (what != FARDEL_ENDED || !log_is_wanted || night_log.state) return;
  if (memcmp(address, log_address, sizeof log_address) == 0) log_due_us = board_now_us();
  board_wake();
}

void frost_watch_open(fardel_endpoint *opened) { endpoint = opened; }

uint32_t frost_watch_work(uint32_t now_us) {
  if (is_one_waiting && !incoming.is_open && !reply.state) {
    is_one_waiting = 0;
    fardel_resume(endpoint, now_us);
  }
  if (!log_is_wanted || night_log.state || reply.state) return FARDEL_NEVER;
  uint32_t wait_us = log_due_us - now_us;
  if ((int32_t)wait_us > 0) return wait_us;
  fardel_send(endpoint, log_address, &night_log, now_us);
  return FARDEL_NEVER;
}
