/*
 * One channel inside a session: fragment numbers that wrap, the window, acknowledgements, giving up
 * (SKIP), a slow consumer, and the replay window of datagram numbers.
 * PROTOCOL.md: 2.3, 2.4, 5.2, 5.3, 5.4, 6, 7.4, 8.
 *
 * There are few fragment numbers, so that they wrap soon. Every message is one fragment. Beside its
 * number travels its place in the sequence, which never wraps: only the assertions look at it.
 */

#ifndef FRAGMENTS
#define FRAGMENTS 7     /* sent in all: more than one turn of the numbers */
#endif
#ifndef NUMBERS
#define NUMBERS 5       /* fragment numbers; 2^16 in the protocol */
#endif
#ifndef WINDOW
#define WINDOW 2        /* at most 255 in the protocol */
#endif
#ifndef REPLAY
#define REPLAY 2        /* datagram numbers remembered (R of 2.3); at least 64 in the protocol */
#endif
#ifndef DEPTH
#define DEPTH 3         /* datagrams on their way, each way */
#endif
#ifndef LOSSES
#define LOSSES 2
#endif
#ifndef COPIES
#define COPIES 1
#endif
#ifndef REORDERS
#define REORDERS 3
#endif
#ifndef EAGER
#define EAGER 1         /* times that a retry timer fires although nothing was lost */
#endif
#ifndef GIVE_UPS
#define GIVE_UPS 1      /* messages aborted or past their deadline */
#endif

mtype = { DATA, SKIP, PROBE };

/* kind, datagram number (complete: the CRC covers it, 2.4), fragment number, place */
chan toB = [DEPTH] of { mtype, byte, byte, byte };
/* next, map of the fragments behind it, window, datagram number, place of next */
chan toA = [DEPTH] of { byte, byte, byte, byte, byte };

byte losses = LOSSES, copies = COPIES, reorders = REORDERS, eager = EAGER, giveUps = GIVE_UPS;

/* ---- A, the sender: places */
byte aNext = 0;         /* the newest ack's `next` */
byte aMap = 0;          /* the newest ack's map: bit i is place aNext + 1 + i */
byte aLimit = WINDOW;   /* place up to which it may send */
byte aEnd = 0;          /* behind the last one sent */
byte aGiven = 0;        /* behind the last one given up */
byte aNumber = 0;       /* of the next datagram */
byte aHeard = 0;        /* behind the number of the newest ack taken */

/* ---- B, the receiver: places */
byte bNext = 0;         /* first missing */
byte bHeld = 0;         /* bit i: place bNext + i is here */
byte bUnread = 0;       /* delivered to the application and not read yet */
byte bHighest = 0;      /* behind the highest datagram number */
byte bSeen = 0;         /* bit i: number bHighest - 1 - i was here */
byte bNumber = 0;

/* ---- ghosts */
bool gaveUp[FRAGMENTS];
bool delivered[FRAGMENTS];

#define quiet (len(toA) + len(toB) == 0)
#define room (WINDOW - bUnread)
#define isDone (aNext == FRAGMENTS)

inline transmit(what, place) {
  if
  :: toB!what(aNumber, (place) % NUMBERS, place)
  :: losses > 0 -> losses--
  :: copies > 0 && len(toB) < DEPTH - 1 ->
       copies--; toB!what(aNumber, (place) % NUMBERS, place); toB!what(aNumber, (place) % NUMBERS, place)
  fi;
  aNumber++
}

inline acknowledge() {
  if
  :: toA!(bNext % NUMBERS), (bHeld >> 1), room, bNumber, bNext
  :: losses > 0 -> losses--
  fi;
  bNumber++
}

inline deliver(place) {
  assert(!delivered[place]);                              /* promise 2: once */
  assert(place == FRAGMENTS - 1 || !delivered[place + 1]); /* promise 3: in order */
  delivered[place] = true;
  bUnread++
}

/* 5.3: the run from `next` on */
inline advance() {
  do
  :: (bHeld & 1) && bUnread < WINDOW -> deliver(bNext); bNext++; bHeld = bHeld >> 1
  :: else -> break
  od
}

active proctype A() {
  byte next, map, window, number, truth, p;
end_A:
  do
  :: atomic { nfull(toB) && aEnd < FRAGMENTS && aEnd < aLimit -> transmit(DATA, aEnd); aEnd++ }
  /* 7.2, 7.4: what is missing is sent again; timely if all is quiet, else too early */
  :: atomic { nfull(toB) && aNext < aEnd && aNext >= aGiven && aNext < aLimit && (quiet || eager > 0) ->
       if
       :: !quiet -> eager--
       :: else -> skip
       fi;
       transmit(DATA, aNext) }
  :: atomic { nfull(toB) && aNext + 1 < aEnd && aNext + 1 >= aGiven && !(aMap & 1) && aNext + 1 < aLimit && (quiet || eager > 0) ->
       if
       :: !quiet -> eager--
       :: else -> skip
       fi;
       transmit(DATA, aNext + 1) }
  /* 5.4 */
  :: atomic { giveUps > 0 && aNext < aEnd && aGiven <= aNext && nfull(toB) ->
       giveUps--; gaveUp[aNext] = true; aGiven = aNext + 1; transmit(SKIP, aGiven) }
  :: atomic { nfull(toB) && aNext < aGiven && quiet -> transmit(SKIP, aGiven) }
  /* 8: a closed window is probed; only once it is open in truth, so that numbers stay few */
  :: atomic { nfull(toB) && !isDone && aLimit <= aNext && aNext >= aGiven && quiet && room > 0 -> transmit(PROBE, aEnd) }
  :: atomic { toA?next, map, window, number, truth ->
       if
       :: number >= aHeard ->
            aHeard = number + 1;
            p = aNext + ((next + NUMBERS - (aNext % NUMBERS)) % NUMBERS);
            assert(p == truth);                           /* what is acknowledged is what was meant */
            assert(p <= aEnd);
            aNext = p; aMap = map; aLimit = p + window
       :: else -> skip                                    /* older than the newest */
       fi;
       next = 0; map = 0; window = 0; number = 0; truth = 0; p = 0 }
  od
}

#ifdef NO_REPLAY   /* wrong variant: datagrams that are too late are taken */
#define isTooLate(n) (false)
#else
#define isTooLate(n) (n + REPLAY < bHighest || (n < bHighest && ((bSeen >> (bHighest - 1 - n)) & 1)))
#endif

active proctype B() {
  mtype kind; byte number, value, place, offset;
end_B:
  do
  :: atomic { nfull(toA) && nempty(toB) -> toB?kind, number, value, place;
       if
       :: isTooLate(number) -> skip                       /* 2.3 */
       :: else ->
            if
            :: number >= bHighest ->
                 bSeen = ((bSeen << (number + 1 - bHighest)) | 1) & ((1 << REPLAY) - 1);
                 bHighest = number + 1
            :: else -> bSeen = (bSeen | (1 << (bHighest - 1 - number))) & ((1 << REPLAY) - 1)
            fi;
            offset = (value + NUMBERS - (bNext % NUMBERS)) % NUMBERS;
            if
            :: kind == DATA && offset < room ->
                 assert(place == bNext + offset);         /* promise 1: a number means one fragment */
                 bHeld = bHeld | (1 << offset);
                 advance()
            :: kind == SKIP && offset <= WINDOW ->
                 assert(place == bNext + offset);
                 do
                 :: offset > 0 && bUnread < WINDOW ->
                      if
                      :: bHeld & 1 -> deliver(bNext)
                      :: else -> assert(gaveUp[bNext])    /* promise 4: only what was reported is skipped */
                      fi;
                      bNext++; bHeld = bHeld >> 1; offset--
                 :: else -> break
                 od;
                 advance()
            :: else -> skip                               /* a duplicate, or beyond the window */
            fi;
            acknowledge()
       fi;
       kind = 0; number = 0; value = 0; place = 0; offset = 0 }
  /* the application reads; a window that was closed is told (8) */
  :: atomic { bUnread > 0 && nfull(toA) ->
       if
       :: room == 0 -> bUnread--; advance(); acknowledge()
       :: else -> bUnread--
       fi }
  od
}

/* Reordering: what is first may go behind the others at any time. */
active proctype Air() {
  mtype kind; byte a, b, c, d, e;
end_Air:
  do
  :: atomic { reorders > 0 && len(toB) > 1 -> reorders--; toB?kind, a, b, c; toB!kind(a, b, c); kind = 0; a = 0; b = 0; c = 0 }
  :: atomic { reorders > 0 && len(toA) > 1 -> reorders--; toA?a, b, c, d, e; toA!a, b, c, d, e; a = 0; b = 0; c = 0; d = 0; e = 0 }
  od
}

ltl finished { <> isDone }
