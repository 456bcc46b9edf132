/* Keys of protected sessions, and what is encrypted and checked with them; PROTOCOL.md, section 17. */
#include "internal.h"

#ifdef FARDEL_PROTECTED

#include "../checksum.h"
#include "../crypto/digest.h"

#define SALT_AT LONG_HEAD_BYTES

static const uint8_t no_salt[FARDEL_SALT_BYTES];

int fdl_can_protect(const fardel_config *config) {
  const fardel_crypto *crypto = config->crypto;
  if (!config->keys) return 1;
  return config->right && crypto && crypto->sha256 && crypto->seal && crypto->open &&
         config->mtu_bytes >= PROTECTED_MTU_MIN;
}

/* ---- Which keys there are. */

static int keys_for(const fardel_endpoint *endpoint, const uint8_t *address,
                    const fardel_pair_key **keys) {
  const fardel_config *config = endpoint->config;
  return config->keys ? config->keys(config->context, address, keys) : 0;
}

/*
 * Tells a key from others, never 0. The application may move its keys at any time, so no pointer to
 * one is kept.
 */
static uint32_t mark_of(const fardel_pair_key *key) {
  uint32_t mark = fardel_crc32(key->side, key->bytes, sizeof key->bytes);
  return mark ? mark : 1;
}

static const fardel_pair_key *find_key(const fardel_endpoint *endpoint, const uint8_t *address,
                                       uint32_t mark) {
  const fardel_pair_key *keys;
  int count = keys_for(endpoint, address, &keys);
  for (int i = 0; i < count; i++)
    if (mark_of(&keys[i]) == mark) return &keys[i];
  return NULL;
}

int fdl_is_revoked(const fardel_endpoint *endpoint, const uint8_t *address) {
  const fardel_pair_key *keys;
  return keys_for(endpoint, address, &keys) < 0;
}

uint16_t fdl_mtu_for(const fardel_endpoint *endpoint, const uint8_t *address) {
  const fardel_pair_key *keys;
  int is_plain = keys_for(endpoint, address, &keys) <= 0;
  return (uint16_t)(endpoint->config->mtu_bytes - (is_plain ? 0 : FARDEL_TAG_BYTES - CRC_BYTES));
}

int fdl_is_welcome(const fardel_endpoint *endpoint, const uint8_t *address, const fdl_incoming *in) {
  const fardel_pair_key *keys;
  int count = keys_for(endpoint, address, &keys);
  return is_secret(in) ? count > 0 : count == 0;
}

/* ---- Keys of directions. */

/* One end of a direction. */
typedef struct side {
  uint32_t token;
  const uint8_t *salt;
} side;

static int derive(const fardel_endpoint *endpoint, const fardel_pair_key *key, int is_own, side from,
                  side to, uint8_t result[FARDEL_CIPHER_KEY_BYTES]) {
  static const char label[] = "fardel session";
  const fardel_crypto *crypto = endpoint->config->crypto;
  fardel_span secret[] = {FDL_FREE, {key->bytes, sizeof key->bytes}};
  uint8_t numbers[9];
  uint8_t prk[FARDEL_DIGEST_BYTES];
  numbers[0] = (uint8_t)(is_own ? key->side : 1 - key->side);
  fdl_put_u32(fdl_put_u32(numbers + 1, from.token), to.token);
  fardel_span info[] = {
      FDL_FREE,         {(const uint8_t *)label, sizeof label - 1},
      {numbers, 5},     {from.salt, FARDEL_SALT_BYTES},
      {numbers + 5, 4}, {to.salt, FARDEL_SALT_BYTES},
      FDL_FREE,
  };
  int done = fdl_extract(crypto, NULL, 0, secret, 2, prk);
  if (done >= 0) done = fdl_expand(crypto, prk, info, 7, result, FARDEL_CIPHER_KEY_BYTES);
  fdl_wipe(prk, sizeof prk);
  return done;
}

/* Both keys of a session, for what is known of the peer. Without its pair key nothing goes, and nothing comes. */
static void derive_both(fardel_peer *peer, fardel_guard *guard) {
  const fardel_endpoint *endpoint = peer->endpoint;
  const fardel_pair_key *key = find_key(endpoint, peer->address, guard->key_mark);
  const side own = {guard->token, guard->salt};
  const side other = {guard->peer_token, guard->peer_salt};
  guard->has_keys = key && derive(endpoint, key, 1, own, other, guard->sending) >= 0 &&
                    derive(endpoint, key, 0, other, own, guard->receiving) >= 0;
}

void fdl_guard_begin(fardel_peer *peer, fardel_guard *guard, uint32_t token) {
  const fardel_config *config = peer->endpoint->config;
  const fardel_pair_key *keys;
  memset(guard, 0, sizeof *guard);
  if (keys_for(peer->endpoint, peer->address, &keys) <= 0) return;
  guard->is_on = 1;
  guard->key_mark = mark_of(&keys[0]);
  guard->token = token;
  for (uint8_t i = 0; i < FARDEL_SALT_BYTES; i += 4)
    fdl_put_u32(guard->salt + i, config->random(config->context));
  derive_both(peer, guard);
}

void fdl_guard_adopt(fardel_peer *peer, fardel_guard *guard, uint32_t token,
                     const fdl_incoming *in) {
  if (!guard->is_on || !is_secret(in)) return;
  guard->key_mark = in->key_mark;
  guard->peer_token = token;
  memcpy(guard->peer_salt, in->bytes + SALT_AT, FARDEL_SALT_BYTES);
  derive_both(peer, guard);
}

void fdl_guard_follow(fardel_peer *peer, const fdl_incoming *in) {
  fardel_guard *guard = &peer->session.guard;
  if (guard->is_on && in->key_mark != guard->key_mark) fdl_guard_adopt(peer, guard, in->from, in);
}

void fdl_guard_forget_peer(fardel_peer *peer) {
  fardel_guard *guard = &peer->session.guard;
  const fardel_pair_key *keys;
  if (!guard->is_on) return;
  guard->peer_token = 0;
  memset(guard->peer_salt, 0, sizeof guard->peer_salt);
  /* It may be under one that has gone since. */
  if (!find_key(peer->endpoint, peer->address, guard->key_mark) &&
      keys_for(peer->endpoint, peer->address, &keys) > 0)
    guard->key_mark = mark_of(&keys[0]);
  derive_both(peer, guard);
}

void fdl_guard_promote(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  session->guard = peer->candidate.guard;
  session->mtu = (uint16_t)(session->mtu - extra_of(session));
  fdl_wipe(&peer->candidate.guard, sizeof peer->candidate.guard);
}

/* ---- Encrypting. */

static void put_nonce(uint8_t *nonce, uint32_t number, uint32_t token_to, uint32_t refused) {
  *fdl_put_u32(fdl_put_u32(fdl_put_u32(nonce, number), token_to), refused) = 0;
}

uint8_t *fdl_put_salt(fardel_endpoint *endpoint, const fardel_guard *guard, uint8_t *at) {
  if (!guard->is_on) return at;
  *endpoint->datagram |= HEAD_PROTECTED;
  memcpy(at, guard->salt, FARDEL_SALT_BYTES);
  return at + FARDEL_SALT_BYTES;
}

static uint16_t seal_with(fardel_endpoint *endpoint, const uint8_t *key, const uint8_t *nonce,
                          uint8_t *end) {
  const fardel_crypto *crypto = endpoint->config->crypto;
  uint8_t *head = endpoint->datagram;
  uint8_t head_bytes = *head & HEAD_LONG_BIT ? PROTECTED_LONG_HEAD_BYTES : SHORT_HEAD_BYTES;
  uint16_t bytes = (uint16_t)(end - head - head_bytes);
  int done =
      crypto->seal(crypto->context, key, nonce, head, head_bytes, head + head_bytes, bytes, end);
  return done < 0 ? 0 : (uint16_t)(end + FARDEL_TAG_BYTES - head);
}

uint16_t fdl_guard_seal(fardel_endpoint *endpoint, const fardel_guard *guard, uint32_t token_to,
                        uint32_t number, uint8_t *end) {
  uint8_t nonce[FARDEL_NONCE_BYTES];
  put_nonce(nonce, number, token_to, 0);
  return guard->has_keys ? seal_with(endpoint, guard->sending, nonce, end) : 0;
}

/* ---- Checking. */

enum { FORGED = -1 };

/* @returns FRAMES_; 0: right, and malformed; FORGED */
static int open_with(fardel_endpoint *endpoint, const uint8_t *key, const uint8_t *nonce,
                     fdl_incoming *in) {
  const fardel_crypto *crypto = endpoint->config->crypto;
  uint8_t head_bytes = fdl_is_long(in) ? PROTECTED_LONG_HEAD_BYTES : SHORT_HEAD_BYTES;
  const uint8_t *text = in->bytes + head_bytes;
  uint16_t bytes = (uint16_t)(in->count - head_bytes - FARDEL_TAG_BYTES);
  if (crypto->open(crypto->context, key, nonce, in->bytes, head_bytes, text, bytes, text + bytes,
                   endpoint->datagram) < 0)
    return FORGED;
  in->frames = endpoint->datagram;
  in->frames_bytes = bytes;
  int what = fdl_check_frames(in->frames, in->frames + bytes);
  /* An opening is HELLO alone, whatever is in it. */
  in->elicits = what == FRAMES_ELICIT && !(fdl_is_long(in) && in->to == 0);
  return what;
}

int fdl_check_short(const fardel_peer *peer, const fardel_guard *guard, fdl_incoming *in,
                    uint32_t token_to, uint32_t token_from) {
  uint8_t nonce[FARDEL_NONCE_BYTES];
  if (!guard->is_on != !is_secret(in)) return 0;
  if (!guard->is_on) return fdl_check(in, token_to, token_from);
  put_nonce(nonce, in->number, token_to, 0);
  int what = guard->has_keys ? open_with(peer->endpoint, guard->receiving, nonce, in) : 0;
  return what == FORGED ? 0 : what;
}

/* With the keys that the session has, if it knows this sender. */
static int open_as_known(fardel_endpoint *endpoint, const fardel_guard *guard,
                         const uint8_t *nonce, fdl_incoming *in) {
  if (!guard || !guard->has_keys || guard->peer_token != in->from ||
      memcmp(guard->peer_salt, in->bytes + SALT_AT, FARDEL_SALT_BYTES) != 0)
    return FORGED;
  in->key_mark = guard->key_mark;
  return open_with(endpoint, guard->receiving, nonce, in);
}

/* With each key in turn. @param guard the session that is named; NULL: an opening, or NO-SESSION */
static int try_keys(fardel_endpoint *endpoint, const uint8_t *address, const fardel_guard *guard,
                    fdl_incoming *in) {
  const fardel_pair_key *keys;
  uint8_t key[FARDEL_CIPHER_KEY_BYTES];
  uint8_t nonce[FARDEL_NONCE_BYTES];
  int is_refusal = in->from == 0;
  put_nonce(nonce, in->number, in->to, is_refusal ? fdl_get_u32(in->bytes + SALT_AT) : 0);
  int what = open_as_known(endpoint, guard, nonce, in);
  if (what != FORGED) return what;
  const side from = {in->from, is_refusal ? no_salt : in->bytes + SALT_AT};
  const side to = {in->to, guard ? guard->salt : no_salt};
  int count = keys_for(endpoint, address, &keys);
  for (int i = 0; i < count && what == FORGED; i++) {
    if (derive(endpoint, &keys[i], 0, from, to, key) < 0) break;
    in->key_mark = mark_of(&keys[i]);
    what = open_with(endpoint, key, nonce, in);
  }
  fdl_wipe(key, sizeof key);
  return what;
}

/* The session that it names. @returns NULL: there is none */
static const fardel_guard *guard_of(const fardel_peer *peer, uint32_t token) {
  if (!peer || !token) return NULL;
  if (peer->session.phase != PHASE_NONE && peer->session.token == token) return &peer->session.guard;
  return peer->candidate.token == token ? &peer->candidate.guard : NULL;
}

/* In plain, to a session that is not: its keys went, and nobody has told us. */
static int is_downgrade(const fardel_peer *peer, const fdl_incoming *in) {
  const fardel_guard *guard = in->to || !peer ? guard_of(peer, in->to) : &peer->session.guard;
  return guard && guard->is_on;
}

int fdl_check_long(fardel_endpoint *endpoint, const uint8_t *address, fardel_peer *peer,
                   fdl_incoming *in) {
  const fardel_config *config = endpoint->config;
  if (!is_secret(in)) return is_downgrade(peer, in) ? 0 : fdl_check(in, in->to, in->from);
  const fardel_guard *guard = NULL;
  if (in->from && in->to) {
    guard = guard_of(peer, in->to);
    if (!guard) {
      /* To a token that we do not have: what came with it cannot be checked, and is not looked at. */
      in->frames = in->bytes;
      return FRAMES_GOOD;
    }
    if (!guard->is_on) return 0;
  }
  int what = try_keys(endpoint, address, guard, in);
  if (what == FORGED) return 0;
  const fardel_pair_key *key = find_key(endpoint, address, in->key_mark);
  if (key) config->right(config->context, address, key);
  return what;
}

/* ---- NO-SESSION */

int fdl_is_stale(const fardel_peer *peer, const fdl_incoming *in) {
  uint32_t refused = is_secret(in) ? fdl_get_u32(in->bytes + SALT_AT) : 0;
  return refused && refused != peer->session.peer_token;
}

void fdl_note_answer(fardel_endpoint *endpoint, const uint8_t *address, const fdl_incoming *in) {
  const fardel_pair_key *keys;
  endpoint->answer_mark = in->key_mark;
  endpoint->answer_refused = in->to;
  endpoint->is_answer_secret = is_secret(in) != 0;
  if (!is_secret(in) || in->key_mark) return;
  /* It cannot be told under which key that was: under the one in use. */
  if (keys_for(endpoint, address, &keys) > 0) endpoint->answer_mark = mark_of(&keys[0]);
}

uint8_t *fdl_put_refused(fardel_endpoint *endpoint, uint8_t *at) {
  if (!endpoint->is_answer_secret) return at;
  *endpoint->datagram |= HEAD_PROTECTED;
  memset(at, 0, FARDEL_SALT_BYTES);
  fdl_put_u32(at, endpoint->answer_refused);
  return at + FARDEL_SALT_BYTES;
}

uint16_t fdl_seal_answer(fardel_endpoint *endpoint, uint8_t *end) {
  const uint8_t *head = endpoint->datagram;
  uint8_t key[FARDEL_CIPHER_KEY_BYTES];
  uint8_t nonce[FARDEL_NONCE_BYTES];
  const uint8_t *address = endpoint->answer_address;
  uint16_t bytes = 0;
  if (!endpoint->is_answer_secret) return fdl_seal(endpoint, NULL, end);
  const side from = {0, no_salt};
  const side to = {fdl_get_u32(head + 5), no_salt};
  put_nonce(nonce, fdl_get_u32(head + 9), to.token, endpoint->answer_refused);
  const fardel_pair_key *pair_key = find_key(endpoint, address, endpoint->answer_mark);
  if (pair_key && derive(endpoint, pair_key, 1, from, to, key) >= 0)
    bytes = seal_with(endpoint, key, nonce, end);
  fdl_wipe(key, sizeof key);
  return bytes;
}

/* ---- */

/* Whether a session is under a key that there is; in plain, if there is none. */
static int is_under(const fardel_peer *peer, const fardel_guard *guard, int count) {
  if (!guard->is_on) return count == 0;
  return find_key(peer->endpoint, peer->address, guard->key_mark) != NULL;
}

void fardel_keys_changed(fardel_endpoint *endpoint, const uint8_t *address, uint32_t now_us) {
  const fardel_pair_key *keys;
  fardel_peer *peer = fdl_find_peer(endpoint, address);
  endpoint->now_us = now_us;
  if (!peer) return;
  int count = keys_for(endpoint, address, &keys);
  if (!is_under(peer, &peer->candidate.guard, count)) fdl_forget_candidate(peer);
  if (count < 0)
    fdl_end_session(peer, FARDEL_PEER_REVOKED);
  else if (peer->session.phase != PHASE_NONE && !is_under(peer, &peer->session.guard, count))
    fdl_end_session(peer, FARDEL_PEER_RESTARTED);
}

#endif
