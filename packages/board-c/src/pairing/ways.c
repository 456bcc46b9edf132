/* What is computed in each way of pairing; PROTOCOL.md, sections 16.1 and 16.2. */
#include "../crypto/digest.h"
#include "parts.h"

#define CABLE_SHARE_BYTES 16
/** Ke, and each half of a hash; RFC 9382, section 4. */
#define HALF_BYTES 16
/** In an OFFER and in an ANSWER, from the exchange on. */
#define OFFER_SHARE_AT (EXCHANGE_BYTES + 1)
#define ANSWER_SHARE_AT EXCHANGE_BYTES

#define SPAN(from, length) {(const uint8_t *)(from), (length)}
#define LABEL(literal) SPAN(literal, sizeof literal - 1)
#define COUNT(spans) ((uint8_t)(sizeof spans / sizeof spans[0]))

/* By way: bytes of shares, of PROOF, of CHECK. */
static const uint8_t sizes[][3] = {
    {0, 0, 0},
    {CABLE_SHARE_BYTES, PAIR_TAG_BYTES, PAIR_TAG_BYTES},
    {FARDEL_POINT_BYTES, FARDEL_DIGEST_BYTES, FARDEL_DIGEST_BYTES},
    {FARDEL_SCALAR_BYTES, FARDEL_SCALAR_BYTES, PAIR_TAG_BYTES},
    {FARDEL_SCALAR_BYTES, PAIR_TAG_BYTES, PAIR_TAG_BYTES},
};

uint8_t fdl_share_bytes(uint8_t way) { return way <= RENEW ? sizes[way][0] : 0; }
uint8_t fdl_proof_bytes(uint8_t way) { return sizes[way][1]; }
uint8_t fdl_check_bytes(uint8_t way) { return sizes[way][2]; }

/* ---- What all ways have in common. */

static void draw_bytes(const fardel_pairing *pairing, uint8_t *into, uint8_t count) {
  const fardel_pairing_config *config = pairing->config;
  for (uint8_t i = 0; i < count; i = (uint8_t)(i + 4))
    fdl_put_u32(into + i, config->random(config->context));
}

/* T. @param x what is in it besides; NULL: nothing */
static int transcript(const fardel_pairing *pairing, const uint8_t *x,
                      uint8_t digest[FARDEL_DIGEST_BYTES]) {
  const fardel_crypto *crypto = pairing->config->crypto;
  const fardel_span spans[] = {SPAN(pairing->offer, pairing->offer_bytes),
                               SPAN(pairing->answer, pairing->answer_bytes),
                               SPAN(x, FARDEL_SCALAR_BYTES)};
  return crypto->sha256(crypto->context, spans, x ? 3 : 2, digest);
}

/* PRK, in place of the scalar. */
static int settle(fardel_pairing *pairing, const uint8_t salt[FARDEL_DIGEST_BYTES],
                  fardel_span *secret, uint8_t count) {
  return fdl_extract(pairing->config->crypto, salt, FARDEL_DIGEST_BYTES, secret, count,
                     pairing->secret);
}

int fdl_tag(const fardel_pairing *pairing, uint8_t step, uint8_t tag[FARDEL_DIGEST_BYTES]) {
  const fardel_crypto *crypto = pairing->config->crypto;
  int is_theirs = step == STEP_PROOF || step == STEP_KEPT;
  fardel_span label[] = {FDL_FREE, LABEL("fardel responder"), FDL_FREE};
  fardel_span message[] = {FDL_FREE, SPAN(&step, 1)};
  uint8_t key[FARDEL_DIGEST_BYTES];
  if (is_theirs) label[1].bytes = (const uint8_t *)"fardel initiator";
  int result = fdl_expand(crypto, pairing->secret, label, COUNT(label), key, sizeof key);
  if (result >= 0) result = fdl_hmac(crypto, key, sizeof key, message, COUNT(message), tag);
  fdl_wipe(key, sizeof key);
  return result;
}

int fdl_pair_key(const fardel_pairing *pairing, fardel_pair_key *key) {
  fardel_span label[] = {FDL_FREE, LABEL("fardel pair key"), FDL_FREE};
  key->side = FARDEL_RESPONDER;
  return fdl_expand(pairing->config->crypto, pairing->secret, label, COUNT(label), key->bytes,
                    sizeof key->bytes);
}

/* ---- cable, and what proves it and renew */

#if FARDEL_PAIRING_CABLE || FARDEL_PAIRING_RENEW
/* Whether the other side has the same PRK. */
static int prove_by_tag(fardel_pairing *pairing, const uint8_t *proof) {
  uint8_t tag[FARDEL_DIGEST_BYTES];
  if (fdl_tag(pairing, STEP_PROOF, tag) < 0 || !fdl_is_equal(tag, proof, PAIR_TAG_BYTES)) return -1;
  return fdl_tag(pairing, STEP_CHECK, pairing->check);
}
#endif

#if FARDEL_PAIRING_CABLE
static int prove_cable(fardel_pairing *pairing, const uint8_t *proof) {
  fardel_span shares[] = {FDL_FREE, SPAN(pairing->offer + OFFER_SHARE_AT, CABLE_SHARE_BYTES),
                          SPAN(pairing->answer + ANSWER_SHARE_AT, CABLE_SHARE_BYTES)};
  uint8_t salt[FARDEL_DIGEST_BYTES];
  if (transcript(pairing, NULL, salt) < 0 || settle(pairing, salt, shares, COUNT(shares)) < 0)
    return -1;
  return prove_by_tag(pairing, proof);
}
#endif

/* ---- code: SPAKE2, this is B */

#if FARDEL_PAIRING_CODE
/* A scalar from 1 to the order of P-256 less 1. @returns 0; less: the source of random bits is broken */
static int draw_scalar(const fardel_pairing *pairing, uint8_t scalar[FARDEL_SCALAR_BYTES]) {
  static const uint8_t order[FARDEL_SCALAR_BYTES] = {
      0xFF, 0xFF, 0xFF, 0xFF, 0x00, 0x00, 0x00, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF,
      0xBC, 0xE6, 0xFA, 0xAD, 0xA7, 0x17, 0x9E, 0x84, 0xF3, 0xB9, 0xCA, 0xC2, 0xFC, 0x63, 0x25, 0x51};
  static const uint8_t zero[FARDEL_SCALAR_BYTES];
  /* Beyond it with a chance of 2^-32, each time. */
  for (int tries = 0; tries < 4; tries++) {
    draw_bytes(pairing, scalar, FARDEL_SCALAR_BYTES);
    if (memcmp(scalar, order, sizeof order) < 0 && memcmp(scalar, zero, sizeof zero) != 0) return 0;
  }
  return -1;
}

/* Lengths, 8 bytes, least significant first; RFC 9382, section 3.3. */
#define LENGTH_BYTES 8
static const uint8_t length_of_point[LENGTH_BYTES] = {FARDEL_POINT_BYTES};
static const uint8_t length_of_w[LENGTH_BYTES] = {FARDEL_SCALAR_BYTES};

/* cA and cB of the transcript TT, and in `digest` Ke and Ka; section 4. The first place of TT is free. */
static int confirm(const fardel_pairing *pairing, fardel_span *tt, uint8_t count,
                   const uint8_t *salt, uint8_t *digest, uint8_t *proof, uint8_t *check) {
  const fardel_crypto *crypto = pairing->config->crypto;
  fardel_span info[] = {FDL_FREE, LABEL("ConfirmationKeys"), SPAN(salt, FARDEL_DIGEST_BYTES),
                        FDL_FREE};
  fardel_span authentic[] = {FDL_FREE, SPAN(digest + HALF_BYTES, HALF_BYTES)};
  uint8_t keys[FARDEL_DIGEST_BYTES];
  int result = crypto->sha256(crypto->context, tt + 1, (uint8_t)(count - 1), digest);
  if (result >= 0) result = fdl_extract(crypto, NULL, 0, authentic, COUNT(authentic), check);
  if (result >= 0) result = fdl_expand(crypto, check, info, COUNT(info), keys, sizeof keys);
  if (result >= 0) result = fdl_hmac(crypto, keys, HALF_BYTES, tt, count, proof);
  if (result >= 0) result = fdl_hmac(crypto, keys + HALF_BYTES, HALF_BYTES, tt, count, check);
  fdl_wipe(keys, sizeof keys);
  return result;
}

static int prove_point(fardel_pairing *pairing, const uint8_t *proof, const uint8_t *point) {
  const uint8_t *offered = pairing->offer + OFFER_SHARE_AT;
  const uint8_t *answered = pairing->answer + ANSWER_SHARE_AT;
  const uint8_t *name_a = offered + FARDEL_POINT_BYTES;
  const uint8_t *name_b = answered + FARDEL_POINT_BYTES;
  const uint8_t length_a[LENGTH_BYTES] = {name_a[0]};
  const uint8_t length_b[LENGTH_BYTES] = {name_b[0]};
  fardel_span tt[] = {
      FDL_FREE,
      SPAN(length_a, LENGTH_BYTES),        SPAN(name_a + 1, name_a[0]),
      SPAN(length_b, LENGTH_BYTES),        SPAN(name_b + 1, name_b[0]),
      SPAN(length_of_point, LENGTH_BYTES), SPAN(offered, FARDEL_POINT_BYTES),
      SPAN(length_of_point, LENGTH_BYTES), SPAN(answered, FARDEL_POINT_BYTES),
      SPAN(length_of_point, LENGTH_BYTES), SPAN(point, FARDEL_POINT_BYTES),
      SPAN(length_of_w, LENGTH_BYTES),     SPAN(pairing->config->claim, FARDEL_SCALAR_BYTES),
  };
  uint8_t salt[FARDEL_DIGEST_BYTES];
  uint8_t digest[FARDEL_DIGEST_BYTES];
  fardel_span ke[] = {FDL_FREE, SPAN(digest, HALF_BYTES)};
  int result = transcript(pairing, NULL, salt);
  if (result >= 0)
    result = confirm(pairing, tt, COUNT(tt), salt, digest, pairing->proof, pairing->check);
  if (result >= 0) result = settle(pairing, salt, ke, COUNT(ke));
  fdl_wipe(digest, sizeof digest);
  return result >= 0 && fdl_is_equal(proof, pairing->proof, FARDEL_DIGEST_BYTES) ? 0 : -1;
}

static int prove_code(fardel_pairing *pairing, const uint8_t *proof) {
  const fardel_crypto *crypto = pairing->config->crypto;
  uint8_t point[FARDEL_POINT_BYTES];
  int result = crypto->spake2_secret(crypto->context, pairing->config->claim, pairing->secret,
                                     pairing->offer + OFFER_SHARE_AT, point);
  if (result >= 0) result = prove_point(pairing, proof, point);
  fdl_wipe(point, sizeof point);
  return result;
}
#endif

/* ---- compare and renew: X25519 */

#if FARDEL_PAIRING_COMPARE || FARDEL_PAIRING_RENEW
/* What both sides reach. @returns less than 0 also for zeros, which anybody could bring about */
static int agree(const fardel_pairing *pairing, const uint8_t *x, uint8_t *shared) {
  static const uint8_t zero[FARDEL_SCALAR_BYTES];
  const fardel_crypto *crypto = pairing->config->crypto;
  int result = crypto->x25519(crypto->context, pairing->secret, x, shared);
  return result < 0 || fdl_is_equal(shared, zero, sizeof zero) ? -1 : 0;
}
#endif

#if FARDEL_PAIRING_COMPARE
static int prove_compare(fardel_pairing *pairing, const uint8_t *x) {
  const fardel_crypto *crypto = pairing->config->crypto;
  const fardel_span committed[] = {LABEL("fardel compare"), SPAN(pairing->offer, EXCHANGE_BYTES),
                                   SPAN(x, FARDEL_SCALAR_BYTES)};
  uint8_t digest[FARDEL_DIGEST_BYTES];
  uint8_t shared[FARDEL_SCALAR_BYTES];
  fardel_span secret[] = {FDL_FREE, SPAN(shared, sizeof shared)};
  int result = crypto->sha256(crypto->context, committed, COUNT(committed), digest);
  if (result < 0 || !fdl_is_equal(digest, pairing->offer + OFFER_SHARE_AT, sizeof digest)) return -1;
  result = agree(pairing, x, shared);
  if (result >= 0) result = transcript(pairing, x, digest);
  if (result >= 0) result = settle(pairing, digest, secret, COUNT(secret));
  fdl_wipe(shared, sizeof shared);
  return result >= 0 ? fdl_tag(pairing, STEP_CHECK, pairing->check) : -1;
}

uint32_t fdl_short_code(const fardel_pairing *pairing) {
  fardel_span label[] = {FDL_FREE, LABEL("fardel short code"), FDL_FREE};
  uint8_t code[4] = {0};
  fdl_expand(pairing->config->crypto, pairing->secret, label, COUNT(label), code, sizeof code);
  return fdl_get_u32(code) % 1000000u;
}
#else
uint32_t fdl_short_code(const fardel_pairing *pairing) {
  (void)pairing;
  return 0;
}
#endif

#if FARDEL_PAIRING_RENEW
/* The other side uses one of the keys that we have: that one is known to both then. */
static int prove_renew(fardel_pairing *pairing, const uint8_t *proof) {
  const fardel_pairing_config *config = pairing->config;
  const fardel_pair_key *keys;
  uint8_t shared[FARDEL_SCALAR_BYTES];
  uint8_t salt[FARDEL_DIGEST_BYTES];
  int count = config->keys(config->context, pairing->partner, &keys);
  int result = -1;
  if (agree(pairing, pairing->offer + OFFER_SHARE_AT, shared) < 0) count = 0;
  if (transcript(pairing, NULL, salt) < 0) count = 0;
  for (int i = 0; i < count && result < 0; i++) {
    fardel_span secret[] = {FDL_FREE, SPAN(shared, sizeof shared),
                            SPAN(keys[i].bytes, FARDEL_PAIR_KEY_BYTES)};
    if (settle(pairing, salt, secret, COUNT(secret)) < 0) break;
    result = prove_by_tag(pairing, proof);
    if (result >= 0) config->right(config->context, pairing->partner, &keys[i]);
  }
  fdl_wipe(shared, sizeof shared);
  return result;
}
#endif

/* ---- */

int fdl_make_share(fardel_pairing *pairing, uint8_t *share) {
  const fardel_crypto *crypto = pairing->config->crypto;
  switch (pairing->way) {
#if FARDEL_PAIRING_CABLE
    case CABLE:
      draw_bytes(pairing, share, CABLE_SHARE_BYTES);
      return 0;
#endif
#if FARDEL_PAIRING_CODE
    case CODE:
      if (draw_scalar(pairing, pairing->secret) < 0) return -1;
      return crypto->spake2_share(crypto->context, pairing->config->claim, pairing->secret, share);
#endif
#if FARDEL_PAIRING_COMPARE || FARDEL_PAIRING_RENEW
    case COMPARE:
    case RENEW: {
      static const uint8_t base[FARDEL_SCALAR_BYTES] = {9};
      draw_bytes(pairing, pairing->secret, FARDEL_SCALAR_BYTES);
      return crypto->x25519(crypto->context, pairing->secret, base, share);
    }
#endif
    default:
      (void)crypto;
      return -1;
  }
}

int fdl_prove(fardel_pairing *pairing, const uint8_t *proof) {
  switch (pairing->way) {
#if FARDEL_PAIRING_CABLE
    case CABLE:
      return prove_cable(pairing, proof);
#endif
#if FARDEL_PAIRING_CODE
    case CODE:
      return prove_code(pairing, proof);
#endif
#if FARDEL_PAIRING_COMPARE
    case COMPARE:
      return prove_compare(pairing, proof);
#endif
#if FARDEL_PAIRING_RENEW
    case RENEW:
      return prove_renew(pairing, proof);
#endif
    default:
      (void)proof;
      return -1;
  }
}
