/*
 * Discovery, pairing and keys of boards, for tests: all that pairing.h and keys.h have; and the ciphers behind
 * them. The test itself stands behind the callbacks; see ../board-pairing.ts for the other side.
 *
 * Boards are numbered from 1; the memory of the oldest is used again. Keys outlive a restart.
 */
#include "harness.h"

#include <string.h>

#include "../../src/crypto/digest.h"
#include "crypto-told.h"
#include "fardel/keys.h"
#include "fardel/pairing.h"

/* What the test is called back for; crypto-told.h has the rest. */
enum {
  /* Address and datagram. Answers what `transmit` returns. */
  TOLD_TRANSMIT = 1,
  TOLD_RANDOM,
  /* (way) Address, key, name. Answers what `keep` returns. */
  TOLD_KEEP,
  /* Address, key: they are the ones in use now, or were. */
  TOLD_RIGHT,
  /* (count) Answers what `keep_wrong_proofs` returns. */
  TOLD_WRONG_PROOFS,
  /* (short code) Address, name. */
  TOLD_SHOW,
  /* (reason) Address; nothing: pairing mode. */
  TOLD_PAIRING_ENDED,
  TOLD_BYTES,
  /* Address: its key is in the record. */
  TOLD_KEPT
};

enum { BOARDS = 32, NAME_BYTES = 64 };

typedef struct board {
  int number;
  fardel_pairing_config config;
  fardel_crypto crypto;
  fardel_keys record;
  char kind[NAME_BYTES];
  char name[NAME_BYTES];
  uint8_t claim[FARDEL_SCALAR_BYTES];
  fardel_pairing *pairing;
} board;

static board boards[BOARDS];
static int opened;

/* Of the exact size where something watches over its ends. */
static fardel_pairing *memory_for(int place) {
#ifdef __wasm__
  static fardel_pairing pool[BOARDS];
  return &pool[place];
#else
  static fardel_pairing *pool[BOARDS];
  free(pool[place]);
  return pool[place] = malloc(sizeof *pool[place]);
#endif
}

static board *at(int number) {
  board *found = &boards[number % BOARDS];
  return found->number == number ? found : NULL;
}

static int number_of(void *context) { return ((board *)context)->number; }

/* ---- callbacks */

static uint8_t *put(uint8_t *to, const void *bytes, size_t count) {
  memcpy(to, bytes, count);
  return to + count;
}

static int transmit(void *context, const uint8_t *address, const uint8_t *datagram, uint16_t bytes) {
  uint8_t told[FARDEL_ADDRESS_BYTES + FARDEL_MTU_MAX];
  put(put(told, address, FARDEL_ADDRESS_BYTES), datagram, bytes);
  return TELL(TOLD_TRANSMIT, number_of(context), 0, told, FARDEL_ADDRESS_BYTES + bytes);
}

static uint32_t draw(void *context) {
  return (uint32_t)TELL(TOLD_RANDOM, number_of(context), 0, NULL, 0);
}

static int keys(void *context, const uint8_t *address, const fardel_pair_key **found) {
  return fardel_keys_of(&((board *)context)->record, address, found);
}

static int keep(void *context, const fardel_partner *partner, const fardel_pair_key *key) {
  uint8_t told[FARDEL_ADDRESS_BYTES + FARDEL_PAIR_KEY_BYTES + UINT8_MAX];
  uint8_t *to = put(told, partner->address, FARDEL_ADDRESS_BYTES);
  to = put(put(to, key->bytes, FARDEL_PAIR_KEY_BYTES), partner->name, partner->name_bytes);
  int result = TELL(TOLD_KEEP, number_of(context), partner->way, told, (int)(to - told));
  if (result < 0) return result;
  fardel_keys_add(&((board *)context)->record, partner->address, key);
  TELL(TOLD_KEPT, number_of(context), 0, partner->address, FARDEL_ADDRESS_BYTES);
  return 0;
}

static void right(void *context, const uint8_t *address, const fardel_pair_key *key) {
  board *of = context;
  uint8_t told[FARDEL_ADDRESS_BYTES + FARDEL_PAIR_KEY_BYTES];
  put(put(told, address, FARDEL_ADDRESS_BYTES), key->bytes, FARDEL_PAIR_KEY_BYTES);
  int has_changed = fardel_keys_right(&of->record, address, key);
  /* As an application may that has one function for both libraries. */
  fardel_pairing_right(of->pairing, address, key, of->pairing->now_us);
  TELL(TOLD_RIGHT, of->number, has_changed, told, sizeof told);
}

static int keep_wrong_proofs(void *context, uint8_t count) {
  return TELL(TOLD_WRONG_PROOFS, number_of(context), count, NULL, 0);
}

static void show(void *context, const fardel_partner *partner, uint32_t short_code) {
  uint8_t told[FARDEL_ADDRESS_BYTES + UINT8_MAX];
  uint8_t *to = put(told, partner->address, FARDEL_ADDRESS_BYTES);
  to = put(to, partner->name, partner->name_bytes);
  TELL(TOLD_SHOW, number_of(context), (int)short_code, told, (int)(to - told));
}

static void ended(void *context, const fardel_partner *partner, int reason) {
  TELL(TOLD_PAIRING_ENDED, number_of(context), reason, partner ? partner->address : NULL,
       partner ? FARDEL_ADDRESS_BYTES : 0);
}

/* ---- pairing.h */

static const uint8_t *take_text(const uint8_t *from, char *into) {
  memset(into, 0, NAME_BYTES);
  memcpy(into, from + 1, from[0]);
  return from + 1 + from[0];
}

/*
 * Own address, everybody's, claim; kind and name with their lengths before them.
 * @param has 1 crypto, 2 claim, 4 the link is a cable, 8 somebody can compare; from bit 4 on: what it takes
 * @returns number of the board, or what fardel_pairing_open() returns if that is less than 0
 */
EXPORT int pairing_open(int has, int mtu, int window, int message_bytes_max, int wrong_proofs,
                        int now) {
  int number = opened + 1;
  board *of = &boards[number % BOARDS];
  memset(of, 0, sizeof *of);
  harness_crypto(&of->crypto);
  fardel_pairing_config *config = &of->config;
  memcpy(config->address, INPUT, FARDEL_ADDRESS_BYTES);
  memcpy(config->everybody, INPUT + FARDEL_ADDRESS_BYTES, FARDEL_ADDRESS_BYTES);
  memcpy(of->claim, INPUT + 2 * FARDEL_ADDRESS_BYTES, sizeof of->claim);
  const uint8_t *texts = INPUT + 2 * FARDEL_ADDRESS_BYTES + sizeof of->claim;
  take_text(take_text(texts, of->kind), of->name);
  config->context = of;
  config->crypto = has & 1 ? &of->crypto : NULL;
  config->claim = has & 2 ? of->claim : NULL;
  config->is_cable = (has & 4) != 0;
  config->show = has & 8 ? show : NULL;
  config->takes = (uint8_t)(has >> 4);
  config->kind = of->kind;
  config->name = of->name;
  config->mtu_bytes = (uint16_t)mtu;
  config->window = (uint8_t)window;
  config->message_bytes_max = (uint32_t)message_bytes_max;
  config->transmit = transmit;
  config->random = draw;
  config->keys = keys;
  config->keep = keep;
  config->right = right;
  config->keep_wrong_proofs = keep_wrong_proofs;
  config->ended = ended;
  of->number = opened = number;
  of->pairing = memory_for(number % BOARDS);
  int result = fardel_pairing_open(of->pairing, config, (uint8_t)wrong_proofs, (uint32_t)now);
  return result < 0 ? result : number;
}

/* As after a restart: what was stored is there, and nothing else. */
EXPORT int pairing_restart(int number, int wrong_proofs, int now) {
  board *of = at(number);
  return of ? fardel_pairing_open(of->pairing, &of->config, (uint8_t)wrong_proofs, (uint32_t)now) : -1;
}

/* Address and datagram. */
EXPORT int pairing_datagram(int number, int count, int now) {
  board *of = at(number);
  int bytes = count - FARDEL_ADDRESS_BYTES;
  uint8_t address[FARDEL_ADDRESS_BYTES];
  if (!of || bytes < 0 || bytes > 0xFFFF) return 0;
  memcpy(address, INPUT, sizeof address);
#ifdef __wasm__
  static uint8_t datagram[HARNESS_INPUT_BYTES];
#else
  uint8_t *datagram = malloc(bytes > 0 ? (size_t)bytes : 1);
  if (!datagram) return 0;
#endif
  memcpy(datagram, INPUT + FARDEL_ADDRESS_BYTES, (size_t)bytes);
  int is_taken =
      fardel_pairing_datagram(of->pairing, address, datagram, (uint16_t)bytes, (uint32_t)now);
#ifndef __wasm__
  free(datagram);
#endif
  return is_taken;
}

EXPORT int pairing_poll(int number, int now) {
  board *of = at(number);
  return of ? (int)fardel_pairing_poll(of->pairing, (uint32_t)now) : -1;
}

EXPORT int pairing_start(int number, int ways, int duration, int now) {
  board *of = at(number);
  if (!of) return FARDEL_INVALID;
  return fardel_pairing_start(of->pairing, (uint8_t)ways, (uint32_t)duration, (uint32_t)now);
}

EXPORT int pairing_stop(int number, int now) {
  board *of = at(number);
  if (of) fardel_pairing_stop(of->pairing, (uint32_t)now);
  return 0;
}

EXPORT int pairing_announce(int number, int now) {
  board *of = at(number);
  if (of) fardel_pairing_announce(of->pairing, (uint32_t)now);
  return 0;
}

EXPORT int pairing_accept(int number, int is_same, int now) {
  board *of = at(number);
  if (of) fardel_pairing_accept(of->pairing, is_same, (uint32_t)now);
  return 0;
}

EXPORT int pairing_allow_code(int number) {
  board *of = at(number);
  if (of) fardel_pairing_allow_code(of->pairing);
  return 0;
}

EXPORT int pairing_is_open(int number) {
  board *of = at(number);
  return of ? fardel_pairing_is_open(of->pairing) : 0;
}

/* Address, key: the endpoint has found them right. */
EXPORT int pairing_right(int number, int now) {
  board *of = at(number);
  fardel_pair_key key = {{0}, FARDEL_RESPONDER};
  uint8_t address[FARDEL_ADDRESS_BYTES];
  if (!of) return 0;
  memcpy(address, INPUT, sizeof address);
  memcpy(key.bytes, INPUT + FARDEL_ADDRESS_BYTES, sizeof key.bytes);
  of->pairing->now_us = (uint32_t)now;
  right(of, address, &key);
  return 0;
}

/* The sentence for a reason, by TOLD_BYTES. */
EXPORT int pairing_text(int reason) {
  const char *text = fardel_pairing_text(reason);
  int count = 0;
  while (text[count]) count++;
  TELL(TOLD_BYTES, 0, 0, (const uint8_t *)text, count);
  return 0;
}

/* ---- keys.h. Address, and for add and right a key. */

EXPORT int keys_add(int number) {
  board *of = at(number);
  fardel_pair_key key = {{0}, FARDEL_RESPONDER};
  if (!of) return -1;
  memcpy(key.bytes, INPUT + FARDEL_ADDRESS_BYTES, sizeof key.bytes);
  fardel_keys_add(&of->record, INPUT, &key);
  return 0;
}

EXPORT int keys_revoke(int number) {
  board *of = at(number);
  if (of) fardel_keys_revoke(&of->record);
  return 0;
}

/* All keys for the address by TOLD_BYTES. @returns how many */
EXPORT int keys_of(int number) {
  board *of = at(number);
  const fardel_pair_key *found;
  uint8_t told[FARDEL_KEYS_MAX * FARDEL_PAIR_KEY_BYTES];
  if (!of) return 0;
  int count = fardel_keys_of(&of->record, INPUT, &found);
  for (int i = 0; i < count; i++)
    memcpy(told + i * FARDEL_PAIR_KEY_BYTES, found[i].bytes, FARDEL_PAIR_KEY_BYTES);
  TELL(TOLD_BYTES, number, 0, told, count > 0 ? count * FARDEL_PAIR_KEY_BYTES : 0);
  return count;
}

/* ---- The ciphers, each with its result by TOLD_BYTES. */

static int tell_result(int result, const uint8_t *bytes, int count) {
  if (result == 0) TELL(TOLD_BYTES, 0, 0, bytes, count);
  return result == 0 ? 0 : -1;
}

/* Bytes, in two spans. */
EXPORT int cipher_sha256(int first, int count) {
  fardel_crypto crypto;
  uint8_t digest[FARDEL_DIGEST_BYTES];
  const fardel_span spans[] = {{INPUT, (size_t)first}, {INPUT + first, (size_t)(count - first)}};
  harness_crypto(&crypto);
  return tell_result(crypto.sha256(crypto.context, spans, 2, digest), digest, sizeof digest);
}

/* Key, message. */
EXPORT int cipher_hmac(int key_bytes, int count) {
  fardel_crypto crypto;
  uint8_t digest[FARDEL_DIGEST_BYTES];
  fardel_span message[] = {FDL_FREE, {INPUT + key_bytes, (size_t)(count - key_bytes)}};
  harness_crypto(&crypto);
  int result = fdl_hmac(&crypto, INPUT, (size_t)key_bytes, message, 2, digest);
  return tell_result(result, digest, sizeof digest);
}

/* Salt, secret, info; tells PRK and what is expanded, at most 32 bytes. */
EXPORT int cipher_hkdf(int salt_bytes, int secret_bytes, int info_bytes, int bytes) {
  fardel_crypto crypto;
  uint8_t told[2 * FARDEL_DIGEST_BYTES];
  const uint8_t *behind = INPUT + salt_bytes + secret_bytes;
  fardel_span secret[] = {FDL_FREE, {INPUT + salt_bytes, (size_t)secret_bytes}};
  fardel_span info[] = {FDL_FREE, {behind, (size_t)info_bytes}, FDL_FREE};
  harness_crypto(&crypto);
  int result = fdl_extract(&crypto, INPUT, (size_t)salt_bytes, secret, 2, told);
  if (result == 0)
    result = fdl_expand(&crypto, told, info, 3, told + FARDEL_DIGEST_BYTES, (uint8_t)bytes);
  return tell_result(result, told, FARDEL_DIGEST_BYTES + bytes);
}

/* Key, nonce, head, text; tells text and tag. */
EXPORT int cipher_seal(int head_bytes, int bytes) {
  fardel_crypto crypto;
  uint8_t told[2048];
  const uint8_t *nonce = INPUT + FARDEL_CIPHER_KEY_BYTES;
  const uint8_t *head = nonce + FARDEL_NONCE_BYTES;
  harness_crypto(&crypto);
  memcpy(told, head + head_bytes, (size_t)bytes);
  int result = crypto.seal(crypto.context, INPUT, nonce, head, (uint16_t)head_bytes, told,
                           (uint16_t)bytes, told + bytes);
  return tell_result(result, told, bytes + FARDEL_TAG_BYTES);
}

/* Key, nonce, head, text, tag; tells the text in plain. */
EXPORT int cipher_open(int head_bytes, int bytes) {
  fardel_crypto crypto;
  uint8_t told[2048];
  const uint8_t *nonce = INPUT + FARDEL_CIPHER_KEY_BYTES;
  const uint8_t *head = nonce + FARDEL_NONCE_BYTES;
  const uint8_t *text = head + head_bytes;
  harness_crypto(&crypto);
  int result = crypto.open(crypto.context, INPUT, nonce, head, (uint16_t)head_bytes, text,
                           (uint16_t)bytes, text + bytes, told);
  return tell_result(result, told, bytes);
}

/* Scalar, point. */
EXPORT int cipher_x25519(void) {
  fardel_crypto crypto;
  uint8_t told[FARDEL_SCALAR_BYTES];
  harness_crypto(&crypto);
  int result = crypto.x25519(crypto.context, INPUT, INPUT + FARDEL_SCALAR_BYTES, told);
  return tell_result(result, told, sizeof told);
}

/* w, scalar; or w, scalar and the other side's share. */
EXPORT int cipher_spake2(int has_share) {
  fardel_crypto crypto;
  uint8_t told[FARDEL_POINT_BYTES];
  const uint8_t *scalar = INPUT + FARDEL_SCALAR_BYTES;
  const uint8_t *share = scalar + FARDEL_SCALAR_BYTES;
  harness_crypto(&crypto);
  int result = has_share ? crypto.spake2_secret(crypto.context, INPUT, scalar, share, told)
                         : crypto.spake2_share(crypto.context, INPUT, scalar, told);
  return tell_result(result, told, sizeof told);
}

/* @returns bytes of what an application gives */
EXPORT int pairing_bytes(void) { return (int)sizeof(fardel_pairing); }
EXPORT int keys_bytes(void) { return (int)sizeof(fardel_keys); }
