/*
 * A row station of an orchard's frost watch, complete but for the board_* functions, which are your
 * board's: it takes a table of thresholds from the gateway, reports the air temperature every minute, and
 * switches a fan on command. Invented for this example; see the cautions in the README.
 *
 * Compile it with src/checksum.c, src/inbox/inbox.c and all of src/endpoint.
 */
#include <string.h>

#include "fardel/fardel.h"
#include "fardel/inbox.h"

/* ---- What your board brings: five functions, and two callbacks that it makes. ---- */

/** Microseconds since boot; wraps around. */
uint32_t board_now_us(void);
/** 32 random bits from the hardware, after the radio is on. */
uint32_t board_random(void);
/** Hands a frame to the radio, which copies it. 0: taken, its send callback follows; less: not now. */
int board_radio_send(const uint8_t *address, const uint8_t *bytes, uint16_t count);
/** Sleeps for so many microseconds at most, or until board_wake() was called since the last time. */
void board_sleep_us(uint32_t us);
/** Ends board_sleep_us(), from any context. */
void board_wake(void);

/* Hundredths of a degree; and the fan. */
int16_t board_temperature(void);
void board_fan(int is_on);

/* ---- The endpoint and its memory. ---- */

enum { MTU = 250, PEERS = 1, WINDOW = 8, BUFFERS = WINDOW - 1, SLOTS = 3 };

#define WORDS(bytes) (((bytes) + sizeof(void *) - 1) / sizeof(void *))
static void *endpoint_memory[WORDS(FARDEL_BYTES(MTU, PEERS, BUFFERS))];
static uint8_t inbox_memory[FARDEL_INBOX_BYTES(MTU, SLOTS)];
static fardel_endpoint *endpoint;
static fardel_inbox inbox;

/* Tickets in the order in which the radio takes frames: its send callback does not tell which one it means. */
static uint8_t tickets[FARDEL_LINK_DEPTH_MAX];
static volatile uint8_t tickets_given;
static volatile uint8_t tickets_back;

/* Called by the radio, in its task or an interrupt: put it into the inbox, wake the loop, nothing else. */
void board_on_received(const uint8_t *address, const uint8_t *bytes, uint16_t count, int8_t rssi) {
  fardel_inbox_datagram(&inbox, address, bytes, count, rssi);
  board_wake();
}

void board_on_sent(int was_acknowledged) {
  uint8_t ticket = tickets[tickets_back % FARDEL_LINK_DEPTH_MAX];
  tickets_back = (uint8_t)(tickets_back + 1);
  fardel_inbox_outcome(&inbox, ticket,
                       was_acknowledged ? FARDEL_ACKNOWLEDGED : FARDEL_NOT_ACKNOWLEDGED);
  board_wake();
}

static int transmit(void *context, const uint8_t *address, const uint8_t *datagram, uint16_t bytes,
                    uint8_t ticket) {
  (void)context;
  /* Noted first: the callback may come before the radio's function returns. */
  tickets[tickets_given % FARDEL_LINK_DEPTH_MAX] = ticket;
  tickets_given = (uint8_t)(tickets_given + 1);
  if (board_radio_send(address, datagram, bytes) == 0) return 0;
  tickets_given = (uint8_t)(tickets_given - 1);
  return -1;
}

static uint32_t draw(void *context) {
  (void)context;
  return board_random();
}

/* ---- The station. ---- */

/** Channel 0: the gateway's table of thresholds, hundredths of a degree for each hour of the night. */
enum { TABLE_BYTES = 24, CHANNEL_TABLE = 0, CHANNEL_READING = 10 };
/** The fan stops by itself if nothing was heard for so long: the link may be gone. */
#define SILENCE_US 120000000u
#define READING_US 60000000u

static uint8_t gateway[FARDEL_ADDRESS_BYTES];
static int has_gateway;
static uint8_t incoming[TABLE_BYTES];
static uint8_t table[TABLE_BYTES];
static uint32_t heard_us;

static fardel_message reading;
static uint8_t reading_bytes[2];
static fardel_message reply;
static uint8_t reply_bytes[1];

static int receive_table(const fardel_arrival *arrival) {
  if (arrival->part & FARDEL_BROKEN) return FARDEL_TAKEN;
  if (arrival->offset + arrival->count > TABLE_BYTES) return FARDEL_UNWANTED;
  memcpy(incoming + arrival->offset, arrival->bytes, arrival->count);
  /* Only now is it whole, and its checksum right. */
  if (arrival->part & FARDEL_LAST && arrival->offset + arrival->count == TABLE_BYTES)
    memcpy(table, incoming, TABLE_BYTES);
  return FARDEL_TAKEN;
}

static int receive_command(const fardel_arrival *arrival) {
  if (arrival->part != (FARDEL_FIRST | FARDEL_LAST) || arrival->count != 1) return FARDEL_UNWANTED;
  /* One answer at a time: the request comes again after fardel_resume(). */
  if (reply.state) return FARDEL_BUSY;
  board_fan(arrival->bytes[0] != 0);
  reply_bytes[0] = arrival->bytes[0];
  reply.bytes = reply_bytes;
  reply.length = sizeof reply_bytes;
  reply.channel = arrival->channel;
  reply.kind = FARDEL_REPLY;
  reply.id = arrival->id;
  reply.priority = FARDEL_URGENT;
  fardel_send(endpoint, arrival->address, &reply, board_now_us());
  return FARDEL_TAKEN;
}

static int receive(void *context, const fardel_arrival *arrival) {
  (void)context;
  heard_us = board_now_us();
  if (!has_gateway) {
    memcpy(gateway, arrival->address, sizeof gateway);
    has_gateway = 1;
  }
  if (arrival->kind == FARDEL_REQUEST) return receive_command(arrival);
  return arrival->channel == CHANNEL_TABLE ? receive_table(arrival) : FARDEL_UNWANTED;
}

static void ended(void *context, fardel_message *message, int result) {
  (void)context;
  (void)result; /* fardel_text(result) says what happened, for a log. */
  /* Whoever was told to wait may go on; not from here, from the loop. */
  if (message == &reply) board_wake();
}

static const fardel_config config = {
    .mtu_bytes = MTU,
    .peers = PEERS,
    .window = WINDOW,
    .buffers = BUFFERS,
    .link_depth = 2,
    .message_bytes_max = 4096,
    .transmit = transmit,
    .random = draw,
    .receive = receive,
    .ended = ended,
};

static void report(uint32_t now_us) {
  if (!has_gateway || reading.state) return;
  int16_t temperature = board_temperature();
  reading_bytes[0] = (uint8_t)((uint16_t)temperature >> 8);
  reading_bytes[1] = (uint8_t)temperature;
  reading.bytes = reading_bytes;
  reading.length = sizeof reading_bytes;
  reading.channel = CHANNEL_READING;
  reading.priority = FARDEL_NORMAL;
  reading.deadline_us = READING_US;
  fardel_send(endpoint, gateway, &reading, now_us);
}

int main(void) {
  uint32_t reported_us = board_now_us();
  heard_us = reported_us;
  board_fan(0);
  fardel_inbox_open(&inbox, inbox_memory, sizeof inbox_memory, MTU, SLOTS);
  if (fardel_open(&endpoint, endpoint_memory, sizeof endpoint_memory, &config, reported_us) != FARDEL_OK)
    return 1;
  for (;;) {
    uint32_t now_us = board_now_us();
    fardel_inbox_drain(&inbox, endpoint, now_us);
    if (!reply.state) fardel_resume(endpoint, now_us);
    if (now_us - reported_us >= READING_US) {
      report(now_us);
      reported_us = now_us;
    }
    if (now_us - heard_us >= SILENCE_US) board_fan(0);
    uint32_t wait_us = fardel_poll(endpoint, now_us);
    board_sleep_us(wait_us < 100000u ? wait_us : 100000u);
  }
}
