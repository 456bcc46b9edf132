/* What an endpoint does, held against what fardel.h promises. */
#include "endpoint-world.h"

#include "../../src/checksum.h"

world it;

void address_of(int who, uint8_t *address) {
  memset(address, 0xA0, FARDEL_ADDRESS_BYTES);
  address[FARDEL_ADDRESS_BYTES - 1] = (uint8_t)who;
}

static int who_is(const uint8_t *address) {
  uint8_t expected[FARDEL_ADDRESS_BYTES];
  for (int who = 0; who < ADDRESSES; who++) {
    address_of(who, expected);
    if (memcmp(address, expected, sizeof expected) == 0) return who;
  }
  EXPECT(0, "an address is one that was heard or sent to");
  return 0;
}

fardel_peer *peer_at(int who) {
  uint8_t address[FARDEL_ADDRESS_BYTES];
  address_of(who, address);
  for (int i = 0; i < it.config.peers; i++) {
    fardel_peer *each = &it.endpoint->peers[i];
    if (each->is_used && memcmp(each->address, address, sizeof address) == 0) return each;
  }
  return NULL;
}

void watch_peers(void) {
  for (int who = 0; who < ADDRESSES; who++) {
    const fardel_peer *peer = peer_at(who);
    if (peer && peer->session.phase == PHASE_OPEN) it.speakers[who].is_trusted = 1;
  }
  /* The next call begins. */
  it.taken = it.refused = 0;
}

static int roll(dice *of) {
  int bit = of->bits >> of->at & 1;
  of->at = (uint8_t)((of->at + 1) & 7);
  return bit;
}

/* ---- the link */

/* What goes to the link is well formed, has a good CRC, and says nothing that is too long. */
static void watch_datagram(int who, const uint8_t *datagram, uint16_t bytes) {
  EXPECT(bytes <= it.config.mtu_bytes, "a datagram is not longer than the MTU");
  EXPECT(fdl_is_datagram(datagram, bytes), "a datagram has a head");
  int is_long = datagram[0] & HEAD_LONG_BIT;
  const uint8_t *frames = datagram + (is_long ? LONG_HEAD_BYTES : SHORT_HEAD_BYTES);
  int is_no_session = bytes == NO_SESSION_BYTES && is_long && *frames == TYPE_NO_SESSION;
  EXPECT(fdl_check_frames(frames, datagram + bytes - CRC_BYTES), "frames are well formed");
  uint32_t from = 0;
  uint32_t to = 0;
  uint32_t number = 0;
  const fardel_peer *peer = peer_at(who);
  if (is_long) {
    from = fdl_get_u32(datagram + 1);
    to = fdl_get_u32(datagram + 5);
    number = fdl_get_u32(datagram + 9);
    EXPECT(from || to, "a datagram names a token");
    if (from) it.speakers[who].told_token = from;
    EXPECT(is_no_session == (from == 0), "NO-SESSION stands alone, and has no token of its own");
  } else {
    EXPECT(peer && peer->session.phase == PHASE_OPEN, "the short form is one of an open session");
    from = peer->session.token;
    to = peer->session.peer_token;
    number = peer->session.number - 1;
    EXPECT(fdl_get_u16(datagram + 1) == (uint16_t)number, "the short form has the low bits");
  }
  uint16_t crc = fdl_datagram_crc(datagram, bytes, to, from, number);
  EXPECT(crc == FARDEL_CRC16_GOOD, "the CRC-16 is right");
  if (peer && from && from == peer->session.token && peer->session.peer_window)
    EXPECT(bytes <= it.speakers[who].stated_mtu, "a datagram is not longer than the peer's MTU");
}

static int transmit(void *context, const uint8_t *address, const uint8_t *datagram, uint16_t bytes,
                    uint8_t ticket) {
  int who = who_is(address);
  speaker *to = &it.speakers[who];
  EXPECT(context == &it, "callbacks get their context");
  EXPECT(it.is_up, "nothing is sent while the link is down");
  EXPECT(ticket < it.config.link_depth, "there are `link_depth` tickets");
  EXPECT(!it.is_with_link[ticket], "a ticket names one datagram");
  FUZZ_SAY("  transmit %u bytes to %d, ticket %u\n", bytes, who, ticket);
  watch_datagram(who, datagram, bytes);
  if (roll(&it.refusals)) {
    EXPECT(++it.refused == 1, "a link that does not take a datagram is left alone for now");
    return -1;
  }
  it.is_with_link[ticket] = 1;
  EXPECT(++it.taken <= it.config.link_depth, "no call hands over more than the link takes");
  to->sent_bytes += bytes;
  EXPECT(to->is_trusted || to->sent_bytes <= to->heard_bytes,
         "a stranger cannot make it send more than it has sent");
  return 0;
}

int with_link(void) {
  int count = 0;
  for (int i = 0; i < FARDEL_LINK_DEPTH_MAX; i++) count += it.is_with_link[i];
  return count;
}

/* ---- the application */

static uint32_t draw(void *context) {
  EXPECT(context == &it, "callbacks get their context");
  it.next_random += 0x00010001u;
  return it.next_random;
}

/* A callback may send; an application that never stops would be to blame itself. */
static void send_from_callback(int who) {
  if (!roll(&it.sends) || it.callback_sends >= CALLBACK_SENDS_MAX) return;
  it.callback_sends++;
  int to = it.send_way & 0x80 ? (who + 1) % ADDRESSES : who;
  send_message(to, it.send_way & 0x7F, (uint8_t)(it.callback_sends * 3), 0);
}

static int receive(void *context, const fardel_arrival *arrival) {
  EXPECT(context == &it, "callbacks get their context");
  EXPECT(arrival->channel < LANES, "there are so many channels and lanes");
  int who = who_is(arrival->address);
  coming *of = &it.coming[who][arrival->channel];
  uint8_t part = arrival->part;
  FUZZ_SAY("  receive from %d, channel %u, part %u, offset %u, %u of %u bytes\n", who,
           arrival->channel, part, arrival->offset, arrival->count, arrival->total);
  if (part == FARDEL_BROKEN) {
    EXPECT(of->is_under_way, "only what has begun breaks");
    EXPECT(!arrival->bytes && !arrival->count, "BROKEN has no bytes");
    of->is_under_way = 0;
    return FARDEL_BUSY;
  }
  EXPECT(!(part & ~(FARDEL_FIRST | FARDEL_LAST)), "a piece is first, last, both or none");
  uint32_t end = arrival->offset + arrival->count;
  uint32_t max = it.config.message_bytes_max;
  int is_request = arrival->channel == 14 || arrival->channel == 15;
  int is_single = part == (FARDEL_FIRST | FARDEL_LAST);
  /* Only ordered channels keep single messages from coming between the pieces of a larger one. */
  int may_be_between = is_single && arrival->channel >= 6;
  for (uint16_t i = 0; i < arrival->count; i++) it.touched += arrival->bytes[i];
  if (!may_be_between)
    EXPECT(of->is_under_way == !(part & FARDEL_FIRST), "a message begins with FIRST, and once");
  EXPECT(arrival->offset == (part & FARDEL_FIRST ? 0 : of->offset), "pieces come in order");
  if (part & FARDEL_FIRST)
    EXPECT((arrival->kind != FARDEL_MESSAGE) == is_request, "requests and replies have a kind");
  else
    EXPECT(arrival->total == of->total, "a message keeps its length");
  EXPECT(!arrival->total || end <= arrival->total, "no piece lies behind the end");
  if (part & FARDEL_LAST)
    EXPECT(!arrival->total || end == arrival->total, "the last piece ends where the message does");
  EXPECT(!max || end <= max, "nothing larger than message_bytes_max comes");
  int answer = roll(&it.answers) ? FARDEL_BUSY : FARDEL_TAKEN;
  if (roll(&it.answers) && answer == FARDEL_BUSY) answer = FARDEL_UNWANTED;
  send_from_callback(who);
  if (may_be_between) return answer;
  if (answer == FARDEL_UNWANTED) of->is_under_way = 0;
  if (answer != FARDEL_TAKEN) return answer;
  of->is_under_way = !(part & FARDEL_LAST);
  of->offset = end;
  of->total = arrival->total;
  return answer;
}

static void ended(void *context, fardel_message *message, int result) {
  EXPECT(context == &it, "callbacks get their context");
  int place = 0;
  while (place < PARCELS && (fardel_message *)it.parcels[place] != message) place++;
  FUZZ_SAY("  ended: message %d, %s\n", place, fardel_text(result));
  EXPECT(place < PARCELS, "a message ends once");
  int is_known = result != FARDEL_OK && result <= FARDEL_REPLACED && result >= FARDEL_UNREADABLE;
  EXPECT(is_known && result != FARDEL_INVALID && result != FARDEL_IN_USE,
         "a message ends in one of the ways that fardel.h names");
  int is_loose = message->channel >= FARDEL_LOOSE;
  EXPECT(result != FARDEL_DELIVERED || !is_loose, "nobody knows whether a loose one has arrived");
  EXPECT(result != FARDEL_SENT || is_loose, "an acknowledged one does not end by being sent");
  parcel *gone = it.parcels[place];
  it.parcels[place] = NULL;
  free(gone->bytes);
  free(gone);
  send_from_callback(result & 1 ? 0 : 1);
}

static void session(void *context, const uint8_t *address, int what, int reason) {
  EXPECT(context == &it, "callbacks get their context");
  int who = who_is(address);
  FUZZ_SAY("  session with %d: %d, %s\n", who, what, fardel_text(reason));
  EXPECT(what == FARDEL_OPENED || what == FARDEL_ENDED, "a session opens or ends");
  EXPECT((reason == 0) == (what == FARDEL_OPENED), "a session ends for a reason");
  EXPECT(fardel_text(reason)[0], "each reason has its sentence");
  send_from_callback(who);
}

void watch_callbacks(fardel_config *config) {
  config->context = &it;
  config->transmit = transmit;
  config->random = draw;
  config->receive = receive;
  config->ended = ended;
  config->session = session;
}

static int read_bytes(fardel_message *message, uint32_t offset, uint8_t *into, uint16_t count) {
  parcel *of = (parcel *)message->context;
  EXPECT(&of->message == message, "a message keeps its context");
  EXPECT(count <= message->length && offset <= message->length - count,
         "only the bytes of a message are read");
  if (of->reads_left == 0) return -1;
  if (of->reads_left < UINT8_MAX) of->reads_left--;
  for (uint16_t i = 0; i < count; i++) into[i] = content(offset + i);
  return 0;
}

static parcel *new_parcel(int *place) {
  for (*place = 0; *place < PARCELS; ++*place)
    if (!it.parcels[*place]) return it.parcels[*place] = calloc(1, sizeof(parcel));
  return NULL;
}

void send_message(int who, uint8_t way, uint8_t size, uint8_t detail) {
  static const uint32_t deadlines[] = {0, 0, 0, 1, 5000, 1000000, 40000000, UINT32_MAX};
  uint8_t address[FARDEL_ADDRESS_BYTES];
  int place;
  parcel *made = new_parcel(&place);
  if (!made) return;
  fardel_message *message = &made->message;
  message->context = made;
  message->channel = way % (LANES + 1);
  message->priority = detail & 3;
  message->options = detail >> 2 & 3;
  message->deadline_us = deadlines[detail >> 4 & 7];
  if (message->channel == 14 || message->channel == 15) {
    message->kind = (uint8_t)(FARDEL_REQUEST + size % 3);
    message->id = size;
  }
  if (way > 125) message->kind = FARDEL_REPLY;
  message->length = size < 200 ? size : size < 250 ? (size - 190u) * 40 : UINT32_MAX - size;
  made->reads_left = detail & 0x80 ? size % 7 : UINT8_MAX;
  if (size % 3 == 0 || message->length > 4000) {
    message->read = read_bytes;
  } else {
    made->bytes = malloc(message->length > 0 ? message->length : 1);
    for (uint32_t i = 0; i < message->length; i++) made->bytes[i] = content(i);
    message->bytes = made->bytes;
  }
  address_of(who, address);
  const fardel_peer *peer = peer_at(who);
  int has_session = peer && peer->session.phase != PHASE_NONE;
  int is_answer = message->kind == FARDEL_REPLY || message->kind == FARDEL_FAILURE;
  int result = fardel_send(it.endpoint, address, message, it.now_us);
  FUZZ_SAY("  send message %d to %d, channel %u, %u bytes: %d\n", place, who, way % (LANES + 1u),
           size, result);
  /* Taken, it may have ended already, and is not looked at any more. */
  if (result == FARDEL_OK) {
    /* A reply only takes part in a session that there is. */
    it.speakers[who].is_trusted |= !is_answer || !has_session;
    return;
  }
  EXPECT(it.parcels[place] == made, "a message that is not taken does not end");
  EXPECT(result == FARDEL_INVALID || result == FARDEL_NO_PEER || result == FARDEL_TOO_LARGE,
         "fardel_send() says why");
  it.parcels[place] = NULL;
  free(made->bytes);
  free(made);
}

void expect_all_over(void) {
  for (int place = 0; place < PARCELS; place++)
    EXPECT(!it.parcels[place], "every message ends");
  for (int who = 0; who < ADDRESSES; who++)
    for (int lane = 0; lane < LANES; lane++)
      EXPECT(!it.coming[who][lane].is_under_way, "what has begun comes to its end, or breaks");
  for (int i = 0; i < it.config.buffers; i++)
    EXPECT(!it.endpoint->buffers[i].peer, "no buffer is lost");
  for (int i = 0; i < it.config.peers; i++)
    EXPECT(!it.endpoint->peers[i].is_used, "nobody is known who was forgotten");
}
