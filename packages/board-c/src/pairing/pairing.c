/* What an application calls, time, and the way to the link; PROTOCOL.md, sections 15 and 16. */
#include "parts.h"

#include "../checksum.h"

#define ANNOUNCE_US_MAX 1000000u
#define RETRY_US 2000u
/** The longest thing to be sent: ANSWER, or ANNOUNCE. */
#define DATAGRAM_BYTES_MAX FARDEL_PAIRING_MTU_MIN

void fdl_pairing_arm(fardel_pairing *pairing, int timer, uint32_t wait_us) {
  pairing->at[timer] = pairing->now_us + wait_us;
  pairing->armed |= (uint8_t)(1 << timer);
}

void fdl_pairing_disarm(fardel_pairing *pairing, int timer) {
  pairing->armed &= (uint8_t)~(1 << timer);
}

int fdl_pairing_is_armed(const fardel_pairing *pairing, int timer) {
  return pairing->armed >> timer & 1;
}

/* Microseconds until its time has come. */
static uint32_t wait_of(const fardel_pairing *pairing, int timer) {
  if (!fdl_pairing_is_armed(pairing, timer)) return FARDEL_NEVER;
  uint32_t wait = pairing->at[timer] - pairing->now_us;
  return (int32_t)wait > 0 ? wait : 0;
}

/* Whether its time has come, once. */
static int take_over(fardel_pairing *pairing, int timer) {
  if (wait_of(pairing, timer) > 0) return 0;
  fdl_pairing_disarm(pairing, timer);
  return 1;
}

uint32_t fdl_pairing_draw(const fardel_pairing *pairing, uint32_t range) {
  const fardel_pairing_config *config = pairing->config;
  return (uint32_t)((uint64_t)config->random(config->context) * range >> 32);
}

uint8_t fdl_text_bytes(const char *text, uint16_t bytes_max) {
  uint8_t bytes = 0;
  while (bytes < bytes_max && text[bytes]) bytes++;
  /* Not between the bytes of a character: those that are not its first begin with bits 10. */
  if (bytes == bytes_max && text[bytes])
    while (bytes > 0 && ((uint8_t)text[bytes] & 0xC0) == 0x80) bytes--;
  return bytes;
}

uint8_t *fdl_put_text(uint8_t *at, const char *text, uint16_t bytes_max) {
  uint8_t bytes = fdl_text_bytes(text, bytes_max);
  *at++ = bytes;
  memcpy(at, text, bytes);
  return at + bytes;
}

const uint8_t *fdl_read(fdl_reader *in, uint16_t count) {
  const uint8_t *at = in->at;
  if (in->end - at < count) return NULL;
  in->at += count;
  return at;
}

const uint8_t *fdl_read_text(fdl_reader *in, uint8_t *count) {
  const uint8_t *length = fdl_read(in, 1);
  if (!length) return NULL;
  *count = *length;
  return fdl_read(in, *length);
}

/* Ways that may be, if somebody opens them. */
static uint8_t ways_possible(const fardel_pairing *pairing) {
  const fardel_pairing_config *config = pairing->config;
  uint8_t ways = 0;
  if (!config->crypto || config->mtu_bytes < FARDEL_PAIRING_MTU_MIN) return 0;
  if (FARDEL_PAIRING_CABLE && config->is_cable) ways |= FARDEL_WAY_CABLE;
  if (FARDEL_PAIRING_CODE && config->claim && config->crypto->spake2_share &&
      config->crypto->spake2_secret && pairing->wrong_proofs < FARDEL_WRONG_PROOFS_MAX)
    ways |= FARDEL_WAY_CODE;
  if (!config->crypto->x25519) return ways;
  if (FARDEL_PAIRING_COMPARE && config->show) ways |= FARDEL_WAY_COMPARE;
  if (FARDEL_PAIRING_RENEW) ways |= FARDEL_WAY_RENEW;
  return ways;
}

uint8_t fdl_ways_open(const fardel_pairing *pairing) {
  uint8_t ways = FARDEL_WAY_RENEW;
  if (fdl_pairing_is_armed(pairing, T_MODE)) ways |= pairing->ways;
  return ways & ways_possible(pairing);
}

int fardel_pairing_open(fardel_pairing *pairing, const fardel_pairing_config *config,
                        uint8_t wrong_proofs, uint32_t now_us) {
  if (!config->transmit || !config->random || !fdl_can_announce(config)) return FARDEL_INVALID;
  if (config->crypto &&
      !(config->crypto->sha256 && config->keys && config->keep && config->right &&
        (config->keep_wrong_proofs || !config->claim)))
    return FARDEL_INVALID;
  memset(pairing, 0, sizeof *pairing);
  pairing->config = config;
  pairing->wrong_proofs = wrong_proofs;
  fardel_pairing_announce(pairing, now_us);
  return FARDEL_OK;
}

void fardel_pairing_announce(fardel_pairing *pairing, uint32_t now_us) {
  pairing->now_us = now_us;
  fdl_pairing_arm(pairing, T_ANNOUNCE, fdl_pairing_draw(pairing, ANNOUNCE_US_MAX));
}

int fardel_pairing_start(fardel_pairing *pairing, uint8_t ways, uint32_t duration_us,
                         uint32_t now_us) {
  pairing->now_us = now_us;
  ways &= ways_possible(pairing) & (uint8_t)~FARDEL_WAY_RENEW;
  if (!ways || duration_us > INT32_MAX) return FARDEL_INVALID;
  pairing->ways = ways;
  fdl_pairing_arm(pairing, T_MODE, duration_us);
  fdl_plan_announcement(pairing);
  return ways;
}

/* What has come to a key goes on to its end, and renewing needs no pairing mode. */
static void end_mode(fardel_pairing *pairing, uint8_t reason) {
  int is_open = pairing->phase >= PHASE_ANSWERED && pairing->phase < PHASE_CHECKED;
  fdl_pairing_disarm(pairing, T_MODE);
  if (is_open && pairing->way != RENEW) fdl_abort_exchange(pairing, reason);
}

void fardel_pairing_stop(fardel_pairing *pairing, uint32_t now_us) {
  pairing->now_us = now_us;
  end_mode(pairing, FARDEL_PAIRING_CANCELLED);
}

int fardel_pairing_is_open(const fardel_pairing *pairing) {
  return fdl_pairing_is_armed(pairing, T_MODE);
}

void fardel_pairing_allow_code(fardel_pairing *pairing) { pairing->wrong_proofs = 0; }

int fardel_pairing_datagram(fardel_pairing *pairing, const uint8_t *address,
                            const uint8_t *datagram, uint16_t bytes, uint32_t now_us) {
  if (bytes < 1 || datagram[0] != HEAD_SESSIONLESS) return 0;
  pairing->now_us = now_us;
  if (bytes < SESSIONLESS_HEAD_BYTES + CRC_BYTES ||
      fardel_crc16(FARDEL_CRC16_START, datagram, bytes) != FARDEL_CRC16_GOOD)
    return 1;
  const uint8_t *body = datagram + SESSIONLESS_HEAD_BYTES;
  uint16_t count = (uint16_t)(bytes - SESSIONLESS_HEAD_BYTES - CRC_BYTES);
  fdl_reader in = {body, body + count};
  if (datagram[1] == KIND_QUERY) fdl_query(pairing, address, &in);
  if (datagram[1] == KIND_PAIR && pairing->config->crypto) fdl_pair(pairing, address, body, count);
  return 1;
}

static uint8_t *put_abort(const fardel_pairing *pairing, uint8_t *at) {
  *at++ = STEP_ABORT;
  at = fdl_put_u32(at, pairing->abort_exchange);
  *at++ = pairing->abort_reason;
  return at;
}

/* Sends one of the things that are due. @returns whether the link took it */
static int send(fardel_pairing *pairing, uint8_t what) {
  const fardel_pairing_config *config = pairing->config;
  uint8_t datagram[DATAGRAM_BYTES_MAX];
  uint8_t *at = datagram + SESSIONLESS_HEAD_BYTES;
  const uint8_t *to = config->everybody;
  datagram[0] = HEAD_SESSIONLESS;
  datagram[1] = what & (DUE_STEP | DUE_ABORT) ? KIND_PAIR : KIND_ANNOUNCE;
  if (what == DUE_STEP) {
    to = pairing->partner;
    at = fdl_put_step(pairing, at);
  } else if (what == DUE_ABORT) {
    to = pairing->abort_address;
    at = put_abort(pairing, at);
  } else {
    if (what == DUE_REPLY) to = pairing->asker;
    at = fdl_put_announcement(pairing, at);
  }
  uint16_t crc = (uint16_t)~fardel_crc16(FARDEL_CRC16_START, datagram, (size_t)(at - datagram));
  *at++ = (uint8_t)crc;
  *at++ = (uint8_t)(crc >> 8);
  /* Before: what comes meanwhile counts. */
  pairing->due &= (uint8_t)~what;
  if (config->transmit(config->context, to, datagram, (uint16_t)(at - datagram)) >= 0) return 1;
  pairing->due |= what;
  return 0;
}

static void send_due(fardel_pairing *pairing) {
  for (uint8_t what = DUE_STEP; what <= DUE_ANNOUNCE; what = (uint8_t)(what << 1)) {
    if (!(pairing->due & what) || send(pairing, what)) continue;
    fdl_pairing_arm(pairing, T_RETRY, RETRY_US);
    return;
  }
}

uint32_t fardel_pairing_poll(fardel_pairing *pairing, uint32_t now_us) {
  uint32_t wait = FARDEL_NEVER;
  pairing->now_us = now_us;
  if (take_over(pairing, T_MODE)) {
    const fardel_pairing_config *config = pairing->config;
    end_mode(pairing, FARDEL_PAIRING_TIME_OVER);
    if (config->ended) config->ended(config->context, NULL, FARDEL_PAIRING_TIME_OVER);
  }
  if (take_over(pairing, T_SILENCE)) fdl_forget_exchange(pairing, FARDEL_PAIRING_TIME_OVER);
  if (take_over(pairing, T_REPLY)) pairing->due |= DUE_REPLY;
  take_over(pairing, T_LIMIT);
  if (take_over(pairing, T_ANNOUNCE)) {
    pairing->due |= DUE_ANNOUNCE;
    if (fardel_pairing_is_open(pairing)) fdl_plan_announcement(pairing);
  }
  take_over(pairing, T_RETRY);
  if (!fdl_pairing_is_armed(pairing, T_RETRY)) send_due(pairing);
  for (int timer = 0; timer < TIMERS; timer++)
    if (wait_of(pairing, timer) < wait) wait = wait_of(pairing, timer);
  return wait;
}
