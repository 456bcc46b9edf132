/**
 * @file
 * A bridge: a board that forwards datagrams between a serial port and its radio. This is the whole
 * program but for the functions board_...(), which are the board's: fill them in. What comes from
 * interrupts or other tasks of the board waits in buffers of those functions until they are called.
 */
#include "fardel/bridge.h"

#define MTU_BYTES 250
#define ADDRESS_BYTES 6
/* Datagrams held for the radio: 2 keep a slow line busy, USB wants more. */
#define QUEUE 4
/* Places in the radio's own table of peers; 0 if it has none. */
#define PEERS 20
/* Datagrams heard that may wait for the line. */
#define HEARD 8
/* Room for one long line of text, or some short ones. */
#define TEXT_BYTES 202
/* So many pointers are as large as so many bytes, and aligned as the library wants it. */
#define POINTERS(bytes) (((bytes) + sizeof(void *) - 1) / sizeof(void *))

/* ---- the board's functions */

/** What the radio has heard. */
typedef struct board_heard {
  uint8_t from[ADDRESS_BYTES];
  uint8_t bytes[MTU_BYTES];
  uint16_t count;
  /** dBm, or FARDEL_BRIDGE_RSSI_UNKNOWN. */
  int8_t rssi_dbm;
} board_heard;

/** Clock, port and radio run. The port: 8 data bits, no parity, 1 stop bit. */
void board_start(void);
/** Microseconds since boot, through all 32 bits. */
uint32_t board_now_us(void);
/** Another number at each boot, not 0: random bits, or a count in memory that lasts. */
uint32_t board_incarnation(void);
/** Sleeps until an interrupt, no longer than this; not at all if one came since the last time. */
void board_sleep_us(uint32_t us);
/** The board is bad off: blink, and stay here. */
void board_halt(const char *why);

/** @returns bytes that the port has received and not given yet, at most `max` of them */
size_t board_port_read(uint8_t *into, size_t max);
/** @returns how many bytes the port takes now */
size_t board_port_room(void);
void board_port_write(const uint8_t *bytes, size_t count);

/** The radio's address. */
void board_radio_address(uint8_t *address);
uint8_t board_radio_channel(void);
/** @returns 0 if the radio takes the datagram */
int board_radio_send(const uint8_t *to, const uint8_t *datagram, uint16_t bytes);
/**
 * @returns 0 while the last datagram is under way, then FARDEL_BRIDGE_SENT and the like, once. What the
 * radio says of an earlier one, which the bridge has given up after a second, is nobody's business.
 */
int board_radio_outcome(void);
/** @returns 1 and the next datagram that was heard, or 0 */
int board_radio_heard(board_heard *heard);
/** @returns 0, or less if the radio does not take it into its table */
int board_radio_put_in(const uint8_t *address);
void board_radio_put_out(const uint8_t *address);
/** @returns 0 if the channel is set, less if it is not allowed where this board stands */
int board_radio_set_channel(uint8_t channel);

/* ---- what the bridge asks of the radio */

/* The radio takes one datagram at a time. */
static uint16_t ticket_with_radio;

static int transmit(void *context, uint16_t ticket, const uint8_t *to, const uint8_t *datagram,
                    uint16_t bytes) {
  (void)context;
  ticket_with_radio = ticket;
  return board_radio_send(to, datagram, bytes);
}

static int put_in(void *context, const uint8_t *address) {
  (void)context;
  return board_radio_put_in(address);
}

static void put_out(void *context, const uint8_t *address) {
  (void)context;
  board_radio_put_out(address);
}

static int set_channel(void *context, uint8_t channel) {
  (void)context;
  return board_radio_set_channel(channel) == 0 ? FARDEL_BRIDGE_CHANNEL_SET
                                               : FARDEL_BRIDGE_CHANNEL_NOT_ALLOWED;
}

/* ---- the program */

static void from_port(fardel_bridge *bridge) {
  uint8_t bytes[64];
  size_t count;
  while ((count = board_port_read(bytes, sizeof bytes)) > 0) {
    fardel_bridge_bytes_received(bridge, bytes, count, board_now_us());
    /* The queue of the radio goes on although the host writes without a pause. */
    fardel_bridge_poll(bridge, board_now_us());
  }
}

static void from_radio(fardel_bridge *bridge) {
  static board_heard heard;
  int outcome = board_radio_outcome();
  if (outcome != 0) fardel_bridge_outcome(bridge, ticket_with_radio, outcome);
  while (board_radio_heard(&heard)) {
    fardel_bridge_heard(bridge, heard.from, heard.bytes, heard.count, heard.rssi_dbm);
  }
}

static void to_port(fardel_bridge *bridge) {
  uint8_t bytes[64];
  for (;;) {
    size_t room = board_port_room();
    size_t count = fardel_bridge_output(bridge, bytes, room < sizeof bytes ? room : sizeof bytes,
                                        board_now_us());
    if (count == 0) return;
    board_port_write(bytes, count);
  }
}

int main(void) {
  static void *memory[POINTERS(
      FARDEL_BRIDGE_BYTES(MTU_BYTES, ADDRESS_BYTES, QUEUE, PEERS, HEARD, TEXT_BYTES))];
  static uint8_t address[ADDRESS_BYTES];
  static fardel_bridge_config config = {
      .address = address,
      .name = "frost watch bridge",
      /* Of a radio with 1 Mbit/s; take your own, or leave both out. */
      .airtime_fixed_us = 896,
      .airtime_per_byte_ns = 8000,
      .mtu_bytes = MTU_BYTES,
      .text_bytes = TEXT_BYTES,
      .address_bytes = ADDRESS_BYTES,
      .queue = QUEUE,
      .heard = HEARD,
      .peers = PEERS,
      .radio_depth = 1,
      .abilities = FARDEL_BRIDGE_CAN_BROADCAST | FARDEL_BRIDGE_TELLS_ACKNOWLEDGEMENT,
      .transmit = transmit,
      .put_in = put_in,
      .put_out = put_out,
      .set_channel = set_channel,
  };
  fardel_bridge *bridge;

  board_start();
  board_radio_address(address);
  config.channel = board_radio_channel();
  int result = fardel_bridge_open(&bridge, memory, sizeof memory, &config, board_incarnation(),
                                  board_now_us());
  if (result < 0) board_halt(fardel_bridge_text(result));
  fardel_bridge_log(bridge, 6, "frost watch bridge: started");

  for (;;) {
    from_port(bridge);
    from_radio(bridge);
    uint32_t us = fardel_bridge_poll(bridge, board_now_us());
    to_port(bridge);
    /* The port interrupts when it has room again, when bytes have come, and so does the radio. */
    board_sleep_us(us);
  }
}
