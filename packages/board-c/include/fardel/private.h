/**
 * @file
 * What an endpoint holds, for the size of its memory alone. Nothing here is for applications, and any of
 * it may change.
 */
#ifndef FARDEL_PRIVATE_H
#define FARDEL_PRIVATE_H

/** Bytes of a full datagram that are not the message's: head, number, CRC-16, DATA head. */
#define FARDEL_AROUND_BYTES 8
#define FARDEL_ENDED_TOKENS 4

/** A fragment under way: sent, and not acknowledged. */
typedef struct fardel_flight {
  /** NULL: this place is free. */
  fardel_message *message;
  /** The last datagram that carried it. */
  uint32_t number;
  uint16_t fragment;
  uint8_t is_lost;
} fardel_flight;

/** The sending side of a channel. */
typedef struct fardel_tx {
  /** Number of the next fragment to cut. */
  uint16_t next;
  /** First fragment that the peer misses, and the first one beyond its window. */
  uint16_t peer_next;
  uint16_t limit;
  uint8_t skip;
  /** Incomplete acks in a row that did not mention it. */
  uint8_t left_out;
  uint32_t skip_number;
} fardel_tx;

/** The receiving side of a channel. */
typedef struct fardel_rx {
  /** First fragment that has not been handed on. */
  uint16_t next;
  /** First fragment of the message under way, or of the one that is refused. */
  uint16_t first;
  /** Bit i: fragment next + i is here, or was handed on. */
  uint32_t present;
  uint32_t crc;
  uint32_t offset;
  uint32_t total;
  uint8_t state;
  uint8_t stop_reason;
  /** Acks that still have to mention it. */
  uint8_t news;
} fardel_rx;

#ifdef FARDEL_PROTECTED
#define FARDEL_SALT_BYTES 12

/** The keys of a protected session. */
typedef struct fardel_guard {
  /** 0: it is in plain. */
  uint8_t is_on;
  /** Both keys below are what they should be. */
  uint8_t has_keys;
  /** Its own token, and the peer's; 0: not known. */
  uint32_t token;
  uint32_t peer_token;
  /** Of the pair key that it is under. */
  uint32_t key_mark;
  uint8_t salt[FARDEL_SALT_BYTES];
  uint8_t peer_salt[FARDEL_SALT_BYTES];
  uint8_t sending[FARDEL_CIPHER_KEY_BYTES];
  uint8_t receiving[FARDEL_CIPHER_KEY_BYTES];
} fardel_guard;
#endif

/* The order is that of size, then of use: what a processor reaches with a short offset comes first. */
typedef struct fardel_session {
  uint8_t phase;
  /** Bits of the timers that run. */
  uint8_t armed;
  /** `asked` is not answered; it left at `left_us`. */
  uint8_t is_awaiting;
  /** A datagram that asks must go out although there is nothing else to send. */
  uint8_t is_probe_due;
  uint8_t probes;
  /** Our side wants it, whoever spoke first. */
  uint8_t is_opener;
  /** Something that must be acknowledged went out, and nothing has asked for the ack yet. */
  uint8_t needs_ask;
  /** STOP that goes with the next ack; 0: none. */
  uint8_t stop_reason;
  uint8_t has_loose;
  uint8_t window_probes;
  /** `sampled` can still give a round trip. */
  uint8_t is_sampling;
  /** The last datagram came within a burst: the next one shows its spacing. */
  uint8_t is_burst;
  uint8_t openings;
  uint8_t not_acknowledged;
  /** The datagram `prompt` asked us. */
  uint8_t is_prompt;
  uint8_t has_left;
  /** `largest_acked` is the number of a datagram. */
  uint8_t has_acked;
  /** The peer may have lost the session: the next question names both tokens. */
  uint8_t is_suspect;
  uint8_t since_ask;
  uint8_t is_measured;
  uint8_t peer_window;
  uint8_t acks_in_the_way;
  uint8_t samples_left_out;
  uint8_t last_channel;
  uint8_t first_mention;
  uint8_t jitter;
  uint8_t stop_channel;
  /** The unacknowledged message in fragments that is under way to us: its lane, and what comes next. */
  uint8_t loose_lane;
  uint8_t loose_index;
  uint16_t stop_first;
  uint16_t loose_id;
  uint16_t mtu;
  uint16_t rx_used;
  int16_t credit_datagrams;
  int32_t credit_bytes;
  /**
   * The peer's arrays. Behind a pointer a compiler reaches each field by a short offset; without, it makes
   * a long one from the peer's start for each field anew.
   */
  fardel_flight *flights;
  fardel_tx *tx;
  fardel_rx *rx;
  uint32_t token;
  uint32_t peer_token;
  /** Of the next datagram. */
  uint32_t number;
  /** Greatest number received, and which of the 64 up to it. */
  uint32_t highest;
  uint32_t seen[2];
  uint32_t largest_acked;
  /** The last datagram that asked, when it was handed over, and when it left. */
  uint32_t asked;
  uint32_t handed_us;
  uint32_t left_us;
  /** The oldest question without an answer, and when it left: behind a long queue the newest has none. */
  uint32_t sampled;
  uint32_t sampled_us;
  uint32_t round_trip_us;
  uint32_t variation_us;
  uint32_t spacing_us;
  uint32_t arrived_us;
  /** The greatest datagram that asked us. */
  uint32_t prompt;
  /** Newest datagram that brought acks. */
  uint32_t carrier;
  /** First datagram since the peer's token is what it is; and the openings before that. */
  uint32_t token_since;
  uint32_t openings_from;
  uint32_t openings_to;
  uint32_t at[7];
  uint32_t loose_crc;
  uint32_t loose_offset;
#ifdef FARDEL_PROTECTED
  fardel_guard guard;
#endif
} fardel_session;

/** What a session has several of. */
typedef struct fardel_arrays {
  fardel_flight flights[FARDEL_SEND_WINDOW];
  fardel_tx tx[FARDEL_CHANNELS];
  fardel_rx rx[FARDEL_CHANNELS];
} fardel_arrays;

/** A session that may take the place of the one that there is. */
typedef struct fardel_candidate {
  /** 0: there is none. */
  uint32_t token;
  uint32_t peer_token;
  /** Of our next answer; and of the last opening. */
  uint32_t number;
  uint32_t seen;
  /** Length of the opening that waits for its answer; 0: none does. */
  uint16_t bytes;
  /** What HELLO in it said. */
  uint16_t mtu;
  uint8_t window;
#ifdef FARDEL_PROTECTED
  fardel_guard guard;
#endif
} fardel_candidate;

/* Here, too, short offsets first: the session begins within their reach. */
typedef struct fardel_peer {
  fardel_endpoint *endpoint;
  /** All messages that have not ended, in the order of fardel_send(). */
  fardel_message *queue;
  uint8_t is_used;
  /** It has proved once that it is where it says, or the application wants to talk to it. */
  uint8_t is_known;
  /** A callback that is about it runs: its place is not given to another one. */
  uint8_t is_held;
  int8_t rssi_dbm;
  fardel_session session;
#ifndef FARDEL_SMALL
  fardel_candidate candidate;
#endif
  uint32_t ended[FARDEL_ENDED_TOKENS];
  uint32_t heard_us;
  /** Who was heard longest ago. */
  uint32_t turn;
  uint32_t datagrams_sent;
  uint32_t datagrams_received;
  uint32_t repeated;
  uint16_t loose_id;
  uint8_t address[FARDEL_ADDRESS_BYTES];
  fardel_arrays arrays;
} fardel_peer;

/** A fragment that waits behind a gap. Its bytes lie apart. */
typedef struct fardel_buffer {
  uint16_t fragment;
  uint16_t bytes;
  /** 0: free; else the peer's place + 1. */
  uint8_t peer;
  uint8_t type;
} fardel_buffer;

/** A datagram that is with the link. */
typedef struct fardel_ticket {
  fardel_message *loose;
  uint32_t token;
  uint32_t number;
  uint8_t is_used;
  /** The peer's place + 1; 0: an answer without state. */
  uint8_t peer;
} fardel_ticket;

struct fardel_endpoint {
  const fardel_config *config;
  fardel_peer *peers;
  /** Messages of peers that had to make room: they end with the next fardel_poll(). */
  fardel_message *dropped;
  fardel_buffer *buffers;
  uint8_t *buffer_bytes;
  /** Where datagrams are written. */
  uint8_t *datagram;
  uint32_t now_us;
  /** The link is not offered anything before this. */
  uint32_t wait_until_us;
  uint32_t round_trip_us;
  uint32_t turn;
  /** An answer NO-SESSION that waits. */
  uint32_t answer_token;
  uint32_t answer_number;
  uint8_t answer_address[FARDEL_ADDRESS_BYTES];
#ifdef FARDEL_PROTECTED
  /** ... its key, and the token that we do not have. */
  uint32_t answer_mark;
  uint32_t answer_refused;
  uint8_t is_answer_secret;
#endif
  uint8_t is_waiting;
  uint8_t refusals;
  uint8_t is_down;
  uint8_t last_peer;
  uint8_t since_answer;
  uint8_t acks_in_a_row;
  fardel_ticket tickets[FARDEL_LINK_DEPTH_MAX];
};

#endif
