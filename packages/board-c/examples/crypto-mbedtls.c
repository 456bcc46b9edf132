/*
 * The ciphers that pairing and protected sessions need, by a library that many boards bring along (tried with its
 * version 2.28). Complete for all four ways; leave out what your board does not use.
 *
 * The library must be configured with AES, CCM, SHA-256, and for the ways code, compare and renew with ECP and its
 * curves P-256 and 25519. It allocates: give it a heap, or its own static buffer, of about 8 kB for P-256.
 *
 * Compile it with the rest, and link with -lmbedcrypto.
 */
#include "crypto-mbedtls.h"

#include <mbedtls/ccm.h>
#include <mbedtls/ecp.h>
#include <mbedtls/sha256.h>
#include <string.h>

static int sha256(void *context, const fardel_span *spans, uint8_t count,
                  uint8_t digest[FARDEL_DIGEST_BYTES]) {
  mbedtls_sha256_context hash;
  (void)context;
  mbedtls_sha256_init(&hash);
  int result = mbedtls_sha256_starts_ret(&hash, 0);
  for (uint8_t i = 0; i < count && result == 0; i++)
    if (spans[i].count > 0) result = mbedtls_sha256_update_ret(&hash, spans[i].bytes, spans[i].count);
  if (result == 0) result = mbedtls_sha256_finish_ret(&hash, digest);
  mbedtls_sha256_free(&hash);
  return result;
}

static int seal(void *context, const uint8_t key[FARDEL_CIPHER_KEY_BYTES],
                const uint8_t nonce[FARDEL_NONCE_BYTES], const uint8_t *head, uint16_t head_bytes,
                uint8_t *text, uint16_t bytes, uint8_t tag[FARDEL_TAG_BYTES]) {
  mbedtls_ccm_context ccm;
  (void)context;
  mbedtls_ccm_init(&ccm);
  int result = mbedtls_ccm_setkey(&ccm, MBEDTLS_CIPHER_ID_AES, key, 8 * FARDEL_CIPHER_KEY_BYTES);
  if (result == 0)
    result = mbedtls_ccm_encrypt_and_tag(&ccm, bytes, nonce, FARDEL_NONCE_BYTES, head, head_bytes,
                                         text, text, tag, FARDEL_TAG_BYTES);
  mbedtls_ccm_free(&ccm);
  return result;
}

static int open_sealed(void *context, const uint8_t key[FARDEL_CIPHER_KEY_BYTES],
                       const uint8_t nonce[FARDEL_NONCE_BYTES], const uint8_t *head,
                       uint16_t head_bytes, const uint8_t *text, uint16_t bytes,
                       const uint8_t tag[FARDEL_TAG_BYTES], uint8_t *plain) {
  mbedtls_ccm_context ccm;
  (void)context;
  mbedtls_ccm_init(&ccm);
  int result = mbedtls_ccm_setkey(&ccm, MBEDTLS_CIPHER_ID_AES, key, 8 * FARDEL_CIPHER_KEY_BYTES);
  if (result == 0)
    result = mbedtls_ccm_auth_decrypt(&ccm, bytes, nonce, FARDEL_NONCE_BYTES, head, head_bytes, text,
                                      plain, tag, FARDEL_TAG_BYTES);
  mbedtls_ccm_free(&ccm);
  return result;
}

/* ---- Curves. All results are 0, or less. */

static int draw(void *source, unsigned char *into, size_t count) {
  const crypto_source *random = source;
  return random->random(random->context, into, count);
}

/* A multiplication that takes as long for each scalar, blinded. */
static int multiply(void *context, mbedtls_ecp_group *group, mbedtls_ecp_point *result,
                    const mbedtls_mpi *scalar, const mbedtls_ecp_point *point) {
  return mbedtls_ecp_mul(group, result, scalar, point, draw, context);
}

static int x25519_in(void *context, mbedtls_ecp_group *group, mbedtls_mpi *scalar,
                     mbedtls_ecp_point *point, const uint8_t *scalar_bytes,
                     const uint8_t *point_bytes, uint8_t *result) {
  uint8_t clamped[FARDEL_SCALAR_BYTES];
  uint8_t masked[FARDEL_SCALAR_BYTES];
  memcpy(clamped, scalar_bytes, sizeof clamped);
  memcpy(masked, point_bytes, sizeof masked);
  /* RFC 7748, section 5. */
  clamped[0] &= 248;
  clamped[31] = (uint8_t)((clamped[31] & 127) | 64);
  masked[31] &= 127;
  int done = mbedtls_ecp_group_load(group, MBEDTLS_ECP_DP_CURVE25519);
  if (done == 0) done = mbedtls_mpi_read_binary_le(scalar, clamped, sizeof clamped);
  if (done == 0) done = mbedtls_mpi_read_binary_le(&point->X, masked, sizeof masked);
  if (done == 0) done = mbedtls_mpi_lset(&point->Z, 1);
  if (done == 0) done = multiply(context, group, point, scalar, point);
  if (done == 0) done = mbedtls_mpi_write_binary_le(&point->X, result, FARDEL_SCALAR_BYTES);
  memset(clamped, 0, sizeof clamped);
  return done;
}

static int x25519(void *context, const uint8_t scalar_bytes[FARDEL_SCALAR_BYTES],
                  const uint8_t point_bytes[FARDEL_SCALAR_BYTES],
                  uint8_t result[FARDEL_SCALAR_BYTES]) {
  mbedtls_ecp_group group;
  mbedtls_ecp_point point;
  mbedtls_mpi scalar;
  mbedtls_ecp_group_init(&group);
  mbedtls_ecp_point_init(&point);
  mbedtls_mpi_init(&scalar);
  int done = x25519_in(context, &group, &scalar, &point, scalar_bytes, point_bytes, result);
  mbedtls_mpi_free(&scalar);
  mbedtls_ecp_point_free(&point);
  mbedtls_ecp_group_free(&group);
  return done;
}

/* M and N of RFC 9382, section 4, for P-256, uncompressed. */
static const uint8_t m_bytes[FARDEL_POINT_BYTES] = {
    0x04, 0x88, 0x6E, 0x2F, 0x97, 0xAC, 0xE4, 0x6E, 0x55, 0xBA, 0x9D, 0xD7, 0x24,
    0x25, 0x79, 0xF2, 0x99, 0x3B, 0x64, 0xE1, 0x6E, 0xF3, 0xDC, 0xAB, 0x95, 0xAF,
    0xD4, 0x97, 0x33, 0x3D, 0x8F, 0xA1, 0x2F, 0x5F, 0xF3, 0x55, 0x16, 0x3E, 0x43,
    0xCE, 0x22, 0x4E, 0x0B, 0x0E, 0x65, 0xFF, 0x02, 0xAC, 0x8E, 0x5C, 0x7B, 0xE0,
    0x94, 0x19, 0xC7, 0x85, 0xE0, 0xCA, 0x54, 0x7D, 0x55, 0xA1, 0x2E, 0x2D, 0x20,
};
static const uint8_t n_bytes[FARDEL_POINT_BYTES] = {
    0x04, 0xD8, 0xBB, 0xD6, 0xC6, 0x39, 0xC6, 0x29, 0x37, 0xB0, 0x4D, 0x99, 0x7F,
    0x38, 0xC3, 0x77, 0x07, 0x19, 0xC6, 0x29, 0xD7, 0x01, 0x4D, 0x49, 0xA2, 0x4B,
    0x4F, 0x98, 0xBA, 0xA1, 0x29, 0x2B, 0x49, 0x07, 0xD6, 0x0A, 0xA6, 0xBF, 0xAD,
    0xE4, 0x50, 0x08, 0xA6, 0x36, 0x33, 0x7F, 0x51, 0x68, 0xC6, 0x4D, 0x9B, 0xD3,
    0x60, 0x34, 0x80, 0x8C, 0xD5, 0x64, 0x49, 0x0B, 0x1E, 0x65, 0x6E, 0xDB, 0xE7,
};

/* What both functions of SPAKE2 work with. */
typedef struct spake2 {
  mbedtls_ecp_group group;
  mbedtls_mpi w, scalar, one;
  mbedtls_ecp_point blind, other, sum;
} spake2;

static int begin(spake2 *with, const uint8_t *w, const uint8_t *scalar, const uint8_t *blind) {
  mbedtls_ecp_group_init(&with->group);
  mbedtls_mpi_init(&with->w);
  mbedtls_mpi_init(&with->scalar);
  mbedtls_mpi_init(&with->one);
  mbedtls_ecp_point_init(&with->blind);
  mbedtls_ecp_point_init(&with->other);
  mbedtls_ecp_point_init(&with->sum);
  int done = mbedtls_ecp_group_load(&with->group, MBEDTLS_ECP_DP_SECP256R1);
  if (done == 0) done = mbedtls_mpi_read_binary(&with->w, w, FARDEL_SCALAR_BYTES);
  if (done == 0) done = mbedtls_mpi_read_binary(&with->scalar, scalar, FARDEL_SCALAR_BYTES);
  if (done == 0) done = mbedtls_mpi_lset(&with->one, 1);
  if (done == 0)
    done = mbedtls_ecp_point_read_binary(&with->group, &with->blind, blind, FARDEL_POINT_BYTES);
  return done;
}

static int finish(spake2 *with, int done, const mbedtls_ecp_point *point,
                  uint8_t bytes[FARDEL_POINT_BYTES]) {
  size_t count = 0;
  if (done == 0)
    done = mbedtls_ecp_point_write_binary(&with->group, point, MBEDTLS_ECP_PF_UNCOMPRESSED, &count,
                                          bytes, FARDEL_POINT_BYTES);
  /* The identity is one byte. */
  if (done == 0 && count != FARDEL_POINT_BYTES) done = -1;
  mbedtls_ecp_point_free(&with->sum);
  mbedtls_ecp_point_free(&with->other);
  mbedtls_ecp_point_free(&with->blind);
  mbedtls_mpi_free(&with->one);
  mbedtls_mpi_free(&with->scalar);
  mbedtls_mpi_free(&with->w);
  mbedtls_ecp_group_free(&with->group);
  return done;
}

static int spake2_share(void *context, const uint8_t w[FARDEL_SCALAR_BYTES],
                        const uint8_t scalar[FARDEL_SCALAR_BYTES],
                        uint8_t share[FARDEL_POINT_BYTES]) {
  spake2 with;
  int done = begin(&with, w, scalar, n_bytes);
  if (done == 0) done = multiply(context, &with.group, &with.blind, &with.w, &with.blind);
  if (done == 0)
    done = multiply(context, &with.group, &with.other, &with.scalar, &with.group.G);
  if (done == 0)
    done = mbedtls_ecp_muladd(&with.group, &with.sum, &with.one, &with.other, &with.one, &with.blind);
  return finish(&with, done, &with.sum, share);
}

static int spake2_secret(void *context, const uint8_t w[FARDEL_SCALAR_BYTES],
                         const uint8_t scalar[FARDEL_SCALAR_BYTES],
                         const uint8_t peer_share[FARDEL_POINT_BYTES],
                         uint8_t secret[FARDEL_POINT_BYTES]) {
  spake2 with;
  mbedtls_mpi minus_one;
  mbedtls_mpi_init(&minus_one);
  int done = begin(&with, w, scalar, m_bytes);
  if (done == 0) done = mbedtls_mpi_lset(&minus_one, -1);
  if (done == 0)
    done = mbedtls_ecp_point_read_binary(&with.group, &with.other, peer_share, FARDEL_POINT_BYTES);
  if (done == 0) done = mbedtls_ecp_check_pubkey(&with.group, &with.other);
  if (done == 0) done = multiply(context, &with.group, &with.blind, &with.w, &with.blind);
  if (done == 0)
    done = mbedtls_ecp_muladd(&with.group, &with.sum, &with.one, &with.other, &minus_one, &with.blind);
  /* Whoever sends w·M alone would know K. */
  if (done == 0 && mbedtls_ecp_is_zero(&with.sum)) done = -1;
  if (done == 0) done = multiply(context, &with.group, &with.other, &with.scalar, &with.sum);
  mbedtls_mpi_free(&minus_one);
  return finish(&with, done, &with.other, secret);
}

void crypto_open(fardel_crypto *crypto, const crypto_source *source) {
  /* The library does not change it. */
  memcpy(&crypto->context, &source, sizeof source);
  crypto->sha256 = sha256;
  crypto->seal = seal;
  crypto->open = open_sealed;
  crypto->x25519 = x25519;
  crypto->spake2_share = spake2_share;
  crypto->spake2_secret = spake2_secret;
}
