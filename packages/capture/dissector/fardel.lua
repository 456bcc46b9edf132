-- Shows captures of Fardel links in the usual open analyser and in tshark: what the link told of each
-- datagram, and every field of it in words. CAPTURE.md of this package says how to install it, and
-- describes the pseudo-header; PROTOCOL.md of @fardel/core describes the datagrams, and the numbers in
-- the comments are its sections. Whatever the bytes are, this reads them without an error.
--
-- Names of fields are those of PROTOCOL.md: fardel.<part>.<field>. The text in the column Info is the
-- same as that of describeDatagram of @fardel/core/wire, and can be searched as fardel.text.

local fardel = Proto("fardel", "Fardel: whole messages over tiny datagrams")

-- Lua 5.2 has bit32, some versions of the analyser bring their own, Lua 5.3 and later have operators.
local bits = bit32 or bit or {
  band = load("return function(a, b) return a & b end")(),
  bxor = load("return function(a, b) return a ~ b end")(),
  rshift = load("return function(a, b) return a >> b end")(),
}
local band, bxor, rshift = bits.band, bits.bxor, bits.rshift

------------------------------------------------------------------------------------------------------
-- Words

local ASK_WORDS = { [0] = "none", "now", "next", "after next" }
local KIND_WORDS = { "announce", "query", "pair" }
local STOP_REASONS = { "too large", "not wanted", "damaged", "no longer read" }
local CLOSE_REASONS = { [0] = "done", "shutting down", "fault" }
local STEP_WORDS = { "OFFER", "ANSWER", "PROOF", "CHECK", "KEPT", "DONE", "WAIT", "ABORT" }
local WAY_WORDS = { "cable", "code", "compare", "renew" }
local ABORT_WORDS = {
  "not in pairing mode", "busy", "way not open", "wrong proof",
  "a person refused", "cancelled", "time is over", "exchange unknown",
}
local DIRECTION_WORDS = { [0] = "not told", "received", "sent", "overheard" }
local OUTCOME_WORDS = {
  [0] = "not told", "sent", "acknowledged by the neighbour", "NOT acknowledged by the neighbour",
  "REFUSED: the send queue was full", "GONE: the link is down",
}
local YES_NO = { [0] = "no", "yes" }

-- The same on every machine: no locale is asked.
local function count_bytes(count)
  local digits = string.format("%.0f", count)
  local grouped = digits:reverse():gsub("(%d%d%d)", "%1,"):reverse():gsub("^,", "")
  return count == 1 and "1 byte" or grouped .. " bytes"
end

-- Bytes that are printed as they are: enough to recognise something by.
local HEX_BYTES_MAX = 16

local function hex_of(bytes)
  if #bytes == 0 then return "nothing" end
  local shown = {}
  for index = 1, math.min(#bytes, HEX_BYTES_MAX) do
    shown[index] = string.format("%02x", bytes:byte(index))
  end
  if #bytes > HEX_BYTES_MAX then shown[#shown + 1] = "…" end
  return table.concat(shown, " ")
end

local function colon_hex(bytes)
  local pairs_of_digits = {}
  for index = 1, #bytes do pairs_of_digits[index] = string.format("%02x", bytes:byte(index)) end
  return table.concat(pairs_of_digits, ":")
end

local function ways_open(value)
  local open = {}
  for index, word in ipairs(WAY_WORDS) do
    if band(rshift(value, index - 1), 1) == 1 then open[#open + 1] = word end
  end
  return #open == 0 and "none open" or table.concat(open, ", ")
end

-- Fragments that a map says have arrived, runs drawn together: 515–517 520.
local function arrived_ranges(next_fragment, map)
  local ranges, count, index = {}, #map * 8, 0
  local function has(position)
    return band(rshift(map:byte(math.floor(position / 8) + 1), 7 - position % 8), 1) == 1
  end
  while index < count do
    if has(index) then
      local first = index
      while index + 1 < count and has(index + 1) do index = index + 1 end
      local from = (next_fragment + 1 + first) % 65536
      local to = (next_fragment + 1 + index) % 65536
      ranges[#ranges + 1] = first == index and tostring(from) or from .. "–" .. to
    end
    index = index + 1
  end
  return #ranges == 0 and "none" or table.concat(ranges, " ")
end

------------------------------------------------------------------------------------------------------
-- Fields

local fields = {}

local function define(name, kind, label, ...)
  fields[name] = ProtoField[kind]("fardel." .. name, label, ...)
end

local function number(name, kind, label, words, mask)
  define(name, kind, label, base.DEC, words, mask)
end

local function hexadecimal(name, kind, label) define(name, kind, label, base.HEX) end
local function bytes_field(name, label) define(name, "bytes", label, base.NONE) end

local function frame_type(name, label, has_channel)
  define(name .. ".type", "uint8", "Type", base.HEX, { [rshift(label[1], 4)] = label[2] }, 0xf0)
  if has_channel then number(name .. ".channel", "uint8", "Channel", nil, 0x0f) end
end

define("text", "string", "In words")

-- CAPTURE.md, "The pseudo-header"
number("link.version", "uint8", "Version of the pseudo-header")
number("link.length", "uint8", "Length of the pseudo-header")
number("link.direction", "uint8", "Direction", DIRECTION_WORDS, 0x03)
number("link.has_rssi", "uint8", "RSSI is known", YES_NO, 0x04)
number("link.has_radio_channel", "uint8", "Radio channel is known", YES_NO, 0x08)
number("link.has_took", "uint8", "Time at the link is known", YES_NO, 0x10)
number("link.outcome", "uint8", "Outcome", OUTCOME_WORDS)
define("link.rssi", "double", "RSSI, dBm")
number("link.radio_channel", "uint16", "Radio channel")
number("link.from_length", "uint8", "Length of the sender's address")
number("link.to_length", "uint8", "Length of the receiver's address")
number("link.fate_length", "uint8", "Length of the fate")
number("link.took", "uint32", "From handing over to the outcome, µs")
bytes_field("link.from", "From")
bytes_field("link.to", "To")
define("link.fate", "string", "Fate on the simulated medium")
bytes_field("link.rest", "Not looked at")

-- 2
number("head.version", "uint8", "Version", nil, 0xc0)
number("head.form", "uint8", "Form",
  { [0] = "short: inside a session", "long: names both tokens", "without session", "reserved" }, 0x30)
number("head.p", "uint8", "Protected", { [0] = "plain", "protected: encrypted, with a tag" }, 0x08)
number("head.reserved", "uint8", "Reserved", { [0] = "zero" }, 0x04)
-- Without session there is no P and no ask: those bits are reserved too.
fields["head.reserved without session"] =
  ProtoField.uint8("fardel.head.reserved", "Reserved", base.DEC, { [0] = "zero" }, 0x0f)
number("head.ask", "uint8", "Ask", {
  [0] = "no ack is asked for", "an ack is asked for now", "the next datagram will ask for an ack",
  "the one after the next will ask for an ack",
}, 0x03)
hexadecimal("head.number", "uint32", "Datagram number")
hexadecimal("head.token_from", "uint32", "Token from, of the sender")
hexadecimal("head.token_to", "uint32", "Token to, of the receiver")
bytes_field("head.salt_from", "Salt from, of the sender")
number("head.kind", "uint8", "Kind", KIND_WORDS)

-- 2.4, 17
hexadecimal("crc.crc16", "uint16", "CRC-16")
number("crc.judged", "uint8", "CRC-16 is",
  { [0] = "wrong", "good", "not judged: it covers both tokens too, which are not in a short datagram" })
bytes_field("encrypted", "Frames, encrypted")
bytes_field("tag", "Authentication tag")
bytes_field("unreadable", "Unreadable")

-- 3.1
bytes_field("pad", "Padding")

-- 3.2
number("data.type", "uint8", "Type", { "DATA: a fragment of a message" }, 0x80)
number("data.f", "uint8", "First",
  { [0] = "not the first fragment", "first fragment of its message" }, 0x40)
number("data.l", "uint8", "Last",
  { [0] = "not the last fragment", "last fragment of its message" }, 0x20)
number("data.e", "uint8", "Extent", { [0] = "runs to the checksum", "a length follows" }, 0x10)
number("data.channel", "uint8", "Channel", nil, 0x0f)
number("data.fragment", "uint16", "Fragment")
number("data.length", "uint64", "Length, bytes")
number("data.total", "uint64", "Length of the message, bytes (0: not told)")
bytes_field("data.bytes", "Bytes of the caller")
hexadecimal("data.crc32", "uint32", "CRC-32 of the whole message")

-- 3.3
frame_type("ack", { 0x10, "ACK: what has arrived" }, true)
hexadecimal("ack.largest", "uint16", "Greatest datagram number received, low 16 bits")
number("ack.next", "uint16", "First fragment still missing")
number("ack.window", "uint8", "Fragments taken from there (0: closed)")
number("ack.p", "uint8", "Prompt", { [0] = "not sent at once", "sent at once, as it was asked for" }, 0x80)
number("ack.t", "uint8", "Cut", { [0] = "complete", "cut: of more nothing is known" }, 0x40)
number("ack.len", "uint8", "Bytes of map", nil, 0x3f)
bytes_field("ack.map", "Map")
define("ack.arrived", "string", "Fragments arrived besides")

-- 3.4
frame_type("skip", { 0x20, "SKIP: something was given up" }, true)
number("skip.next", "uint16", "Nothing is sent any more before fragment")
frame_type("stop", { 0x40, "STOP: a message is not taken" }, true)
number("stop.first", "uint16", "First fragment of the message")
number("stop.reason", "uint8", "Reason", STOP_REASONS)

-- 3.5
frame_type("hello", { 0x30, "HELLO: what its sender can take" }, false)
number("hello.v", "uint8", "Highest version", nil, 0x0f)
number("hello.mtu", "uint16", "Largest datagram, bytes")
number("hello.window", "uint8", "Fragments taken on each channel")

-- 3.6
define("close.type", "uint8", "Type", base.HEX, { [0x50] = "CLOSE: the session ends now" })
number("close.reason", "uint8", "Reason", CLOSE_REASONS)
define("no_session.type", "uint8", "Type", base.HEX,
  { [0x51] = "NO-SESSION: there is none under the token it was sent to" })

-- 3.7
frame_type("loose", { 0x60, "LOOSE: sent once, never acknowledged" }, false)
number("loose.e", "uint8", "Extent", { [0] = "runs to the checksum", "a length follows" }, 0x08)
number("loose.fragmented", "uint8", "Fragmented",
  { [0] = "a whole message", "a fragment of a message" }, 0x04)
number("loose.lane", "uint8", "Lane", nil, 0x03)
number("loose.id", "uint16", "Message of its lane")
number("loose.last", "uint8", "Last", { [0] = "not the last fragment", "last fragment" }, 0x80)
number("loose.index", "uint8", "Place in the message", nil, 0x7f)
number("loose.length", "uint64", "Length, bytes")
bytes_field("loose.bytes", "Bytes of the caller")
hexadecimal("loose.crc32", "uint32", "CRC-32 of the whole message")

-- 3.8
frame_type("extension", { 0x70, "Extension: passed over if it is not known" }, false)
number("extension.kind", "uint8", "Kind", nil, 0x0f)
number("extension.length", "uint8", "Length, bytes")
bytes_field("extension.bytes", "Bytes")

-- 15.1
number("announce.version", "uint8", "Highest version")
number("announce.in_pairing_mode", "uint8", "In pairing mode", YES_NO, 0x01)
number("announce.takes_plain_sessions", "uint8", "Takes plain sessions", YES_NO, 0x02)
number("announce.takes_protected_sessions", "uint8", "Takes protected sessions", YES_NO, 0x04)
number("announce.reserved", "uint8", "Reserved", nil, 0x08)
number("announce.ways_of_pairing", "uint8", "Ways of pairing", nil, 0xf0)
number("announce.mtu", "uint16", "Largest datagram, bytes")
number("announce.window", "uint8", "Fragments taken on each channel")
number("announce.message", "uint64", "Largest message, bytes (0: not told)")
number("announce.kind_length", "uint8", "Length of the kind")
define("announce.kind", "string", "Kind: what it is")
number("announce.name_length", "uint8", "Length of the name")
define("announce.name", "string", "Name: which one")
bytes_field("announce.rest", "Not looked at")

-- 15.2
hexadecimal("query.id", "uint32", "Id")
number("query.spread", "uint16", "Answer within, ms")
number("query.only_in_pairing_mode", "uint8", "Only in pairing mode", YES_NO, 0x01)
number("query.reserved", "uint8", "Reserved", nil, 0xfe)
number("query.kind_length", "uint8", "Length of the kind")
define("query.kind", "string", "Kind that is looked for")
number("query.prefix_length", "uint8", "Length of the prefix")
define("query.prefix", "string", "Names that begin with")
number("query.map_length", "uint8", "Length of the map")
bytes_field("query.map", "Map of boards that were heard: they need not answer")
bytes_field("query.rest", "Not looked at")

-- 16
number("pair.step", "uint8", "Step", STEP_WORDS)
hexadecimal("pair.exchange", "uint32", "Exchange")
number("pair.way", "uint8", "Way", WAY_WORDS)
number("pair.reason", "uint8", "Reason", ABORT_WORDS)
bytes_field("pair.fields", "Share, proof or tag, by step and way")
bytes_field("other.rest", "Not looked at")

local listed = {}
for _, field in pairs(fields) do listed[#listed + 1] = field end
fardel.fields = listed

local EXPERTS = {
  malformed = ProtoExpert.new("fardel.malformed.expert", "It cannot be read: a receiver drops it",
    expert.group.MALFORMED, expert.severity.WARN),
  crc = ProtoExpert.new("fardel.crc.expert", "The CRC-16 is wrong: a receiver drops it",
    expert.group.CHECKSUM, expert.severity.WARN),
  outcome = ProtoExpert.new("fardel.link.outcome.expert", "It did not leave, or was not acknowledged",
    expert.group.RESPONSE_CODE, expert.severity.NOTE),
  fate = ProtoExpert.new("fardel.link.fate.expert", "It did not arrive",
    expert.group.RESPONSE_CODE, expert.severity.NOTE),
}
local experts = {}
for _, each in pairs(EXPERTS) do experts[#experts + 1] = each end
fardel.experts = experts

local interface_name = Field.new("frame.interface_name")

------------------------------------------------------------------------------------------------------
-- Reading: a datagram as a string, offsets from 0, and where it lies in what the analyser shows

local Datagram = {}
Datagram.__index = Datagram

local function datagram_at(buffer, from)
  local length = buffer:len() - from
  local raw = length > 0 and buffer:raw(from, length) or ""
  return setmetatable({ buffer = buffer, base = from, raw = raw, length = length }, Datagram)
end

function Datagram:u8(at) return self.raw:byte(at + 1) end
function Datagram:u16(at) return self:u8(at) * 256 + self:u8(at + 1) end
function Datagram:u32(at) return self:u16(at) * 65536 + self:u16(at + 2) end
function Datagram:sub(from, to) return self.raw:sub(from + 1, to) end
function Datagram:range(from, to) return self.buffer(self.base + from, to - from) end

-- A field that the analyser reads by itself, most significant byte first.
function Datagram:add(tree, name, from, to)
  if to > from then return tree:add(fields[name], self:range(from, to)) end
end

function Datagram:add_value(tree, name, from, to, value)
  return tree:add(fields[name], self:range(from, to), value)
end

function Datagram:add_text(tree, name, from, to)
  if to > from then return tree:add_packet_field(fields[name], self:range(from, to), ENC_UTF_8) end
end

-- RFC 9000, section 16. Gives value and size; or nil and the fault.
function Datagram:varint(at, to)
  if at >= to then return nil, "truncated" end
  local first = self:u8(at)
  local size = 2 ^ rshift(first, 6)
  if at + size > to then return nil, "truncated" end
  if size == 8 and (band(first, 0x3f) > 0 or self:u8(at + 1) > 0x1f) then return nil, "bad-value" end
  local value = band(first, 0x3f)
  for index = at + 1, at + size - 1 do value = value * 256 + self:u8(index) end
  return value, size
end

function Datagram:add_varint(tree, name, at, value, size)
  local wide = UInt64.new(value % 4294967296, math.floor(value / 4294967296))
  self:add_value(tree, name, at, at + size, wide)
end

-- 2.4
local CRC_TABLE = {}
for byte = 0, 255 do
  local register = byte
  for _ = 1, 8 do
    local carry = band(register, 1)
    register = rshift(register, 1)
    if carry == 1 then register = bxor(register, 0x8408) end
  end
  CRC_TABLE[byte] = register
end

function Datagram:is_crc_good()
  local register = 0xffff
  for at = 0, self.length - 1 do
    register = bxor(rshift(register, 8), CRC_TABLE[band(bxor(register, self:u8(at)), 0xff)])
  end
  return register == 0xf0b8
end

------------------------------------------------------------------------------------------------------
-- Frames, section 3. Each function is given the datagram, where the frame begins, where the frames
-- end, and a function that opens its tree, to be called when all of it is known to be sound. It gives
-- where the next frame begins and the words; or nil and the fault.

local FRAMES = {}

local function add_type(datagram, tree, name, at, has_channel)
  datagram:add(tree, name .. ".type", at, at + 1)
  if has_channel then datagram:add(tree, name .. ".channel", at, at + 1) end
end

local function ack(datagram, at, to, open)
  if at + 7 > to then return nil, "truncated" end
  local control = datagram:u8(at + 6)
  local length = band(control, 0x3f)
  if length > 32 then return nil, "bad-value" end
  local stop = at + 7 + length
  if stop > to then return nil, "truncated" end
  local channel, next_fragment = band(datagram:u8(at), 0x0f), datagram:u16(at + 3)
  local words = string.format("ack ch %d up to #…%04x next %d window %d", channel,
    datagram:u16(at + 1), next_fragment, datagram:u8(at + 5))
  if band(control, 0x80) ~= 0 then words = words .. " prompt" end
  local arrived = arrived_ranges(next_fragment, datagram:sub(at + 7, stop))
  if length > 0 then words = words .. ", map " .. count_bytes(length) .. " has " .. arrived end
  if band(control, 0x40) ~= 0 then words = words .. ", map cut" end
  local tree = open(stop, words)
  add_type(datagram, tree, "ack", at, true)
  datagram:add(tree, "ack.largest", at + 1, at + 3)
  datagram:add(tree, "ack.next", at + 3, at + 5)
  datagram:add(tree, "ack.window", at + 5, at + 6)
  for _, name in ipairs({ "ack.p", "ack.t", "ack.len" }) do datagram:add(tree, name, at + 6, at + 7) end
  datagram:add(tree, "ack.map", at + 7, stop)
  if length > 0 then datagram:add_value(tree, "ack.arrived", at + 7, stop, arrived):set_generated() end
  return stop, words
end

local function skip(datagram, at, to, open)
  if at + 3 > to then return nil, "truncated" end
  local words = string.format("skip ch %d to fragment %d", band(datagram:u8(at), 0x0f), datagram:u16(at + 1))
  local tree = open(at + 3, words)
  add_type(datagram, tree, "skip", at, true)
  datagram:add(tree, "skip.next", at + 1, at + 3)
  return at + 3, words
end

local function hello(datagram, at, to, open)
  if at + 4 > to then return nil, "truncated" end
  local version, mtu, window = band(datagram:u8(at), 0x0f), datagram:u16(at + 1), datagram:u8(at + 3)
  if version < 1 or mtu < 20 or window < 1 then return nil, "bad-value" end
  local words = string.format("hello version %d mtu %s window %d", version, count_bytes(mtu), window)
  local tree = open(at + 4, words)
  add_type(datagram, tree, "hello", at, false)
  datagram:add(tree, "hello.v", at, at + 1)
  datagram:add(tree, "hello.mtu", at + 1, at + 3)
  datagram:add(tree, "hello.window", at + 3, at + 4)
  return at + 4, words
end

local function stop_frame(datagram, at, to, open)
  if at + 4 > to then return nil, "truncated" end
  local reason = datagram:u8(at + 3)
  local words = string.format("stop ch %d fragment %d, %s", band(datagram:u8(at), 0x0f),
    datagram:u16(at + 1), STOP_REASONS[reason] or "reason " .. reason)
  local tree = open(at + 4, words)
  add_type(datagram, tree, "stop", at, true)
  datagram:add(tree, "stop.first", at + 1, at + 3)
  datagram:add(tree, "stop.reason", at + 3, at + 4)
  return at + 4, words
end

-- 50 and 51; `from` is where the first frame begins: NO-SESSION has nothing beside it.
local function close(datagram, at, to, open, from)
  local first = datagram:u8(at)
  if first == 0x51 then
    if to - from ~= 1 then return nil, "bad-value" end
    datagram:add(open(at + 1, "no session"), "no_session.type", at, at + 1)
    return at + 1, "no session"
  end
  if first ~= 0x50 then return nil, "unknown-frame" end
  if at + 2 > to then return nil, "truncated" end
  local reason = datagram:u8(at + 1)
  local words = "close, " .. (CLOSE_REASONS[reason] or "reason " .. reason)
  local tree = open(at + 2, words)
  datagram:add(tree, "close.type", at, at + 1)
  datagram:add(tree, "close.reason", at + 1, at + 2)
  return at + 2, words
end

local function extension(datagram, at, to, open)
  if at + 2 > to then return nil, "truncated" end
  local stop = at + 2 + datagram:u8(at + 1)
  if stop > to then return nil, "truncated" end
  local words = string.format("extension %d, %s: %s", band(datagram:u8(at), 0x0f),
    count_bytes(stop - at - 2), hex_of(datagram:sub(at + 2, stop)))
  local tree = open(stop, words)
  add_type(datagram, tree, "extension", at, false)
  datagram:add(tree, "extension.kind", at, at + 1)
  datagram:add(tree, "extension.length", at + 1, at + 2)
  datagram:add(tree, "extension.bytes", at + 2, stop)
  return stop, words
end

-- The length that may stand before the bytes of DATA and LOOSE. Gives where the bytes begin, where
-- the frame ends, and the length with its size if there is one; or nil and the fault.
local function extent(datagram, at, to, has_length)
  if not has_length then return at, to end
  local length, size = datagram:varint(at, to)
  if not length then return nil, size end
  if at + size + length > to then return nil, "truncated" end
  return at + size, at + size + length, length, size
end

local function data(datagram, at, to, open)
  if at + 3 > to then return nil, "truncated" end
  local flags = datagram:u8(at)
  local first, last = band(flags, 0x40) ~= 0, band(flags, 0x20) ~= 0
  local from, stop, length, length_size = extent(datagram, at + 3, to, band(flags, 0x10) ~= 0)
  if not from then return nil, stop end
  local total, total_size, crc_bytes = nil, 0, 0
  if first and not last then
    total, total_size = datagram:varint(from, to)
    if not total then return nil, total_size end
    if from + total_size > stop then return nil, "bad-value" end
  elseif last and not first then
    crc_bytes = 4
    if stop - from < crc_bytes then return nil, "bad-value" end
  elseif stop == from and not first then
    return nil, "bad-value"
  end
  local bytes_from, bytes_to = from + total_size, stop - crc_bytes
  local place = "middle"
  if first and last then place = "whole"
  elseif first then place = total == 0 and "first" or "first of " .. count_bytes(total)
  elseif last then place = "last" end
  local words = string.format("data ch %d fragment %d %s, %s", band(flags, 0x0f),
    datagram:u16(at + 1), place, count_bytes(bytes_to - bytes_from))
  if crc_bytes > 0 then words = string.format("%s, message crc %08x", words, datagram:u32(bytes_to)) end
  local tree = open(stop, words)
  for _, name in ipairs({ "type", "f", "l", "e", "channel" }) do
    datagram:add(tree, "data." .. name, at, at + 1)
  end
  datagram:add(tree, "data.fragment", at + 1, at + 3)
  if length then datagram:add_varint(tree, "data.length", at + 3, length, length_size) end
  if total then datagram:add_varint(tree, "data.total", from, total, total_size) end
  datagram:add(tree, "data.bytes", bytes_from, bytes_to)
  datagram:add(tree, "data.crc32", bytes_to, stop)
  return stop, words
end

local function loose(datagram, at, to, open)
  local flags = datagram:u8(at)
  local fragmented = band(flags, 0x04) ~= 0
  local head, index, last = at + 1, 0, true
  if fragmented then
    if at + 4 > to then return nil, "truncated" end
    local place = datagram:u8(at + 3)
    head, index, last = at + 4, band(place, 0x7f), band(place, 0x80) ~= 0
  end
  local from, stop, length, length_size = extent(datagram, head, to, band(flags, 0x08) ~= 0)
  if not from then return nil, stop end
  local crc_bytes = fragmented and last and 4 or 0
  if stop - from < crc_bytes then return nil, "bad-value" end
  if not last and (stop == from or index == 127) then return nil, "bad-value" end
  local bytes_to = stop - crc_bytes
  local words, size = "loose lane " .. band(flags, 0x03), count_bytes(bytes_to - from)
  if not fragmented then words = words .. " whole, " .. size
  else
    words = string.format("%s id %d fragment %d", words, datagram:u16(at + 1), index)
    if last then words = string.format("%s last, %s, message crc %08x", words, size, datagram:u32(bytes_to))
    else words = words .. ", " .. size end
  end
  local tree = open(stop, words)
  add_type(datagram, tree, "loose", at, false)
  for _, name in ipairs({ "e", "fragmented", "lane" }) do datagram:add(tree, "loose." .. name, at, at + 1) end
  if fragmented then
    datagram:add(tree, "loose.id", at + 1, at + 3)
    datagram:add(tree, "loose.last", at + 3, at + 4)
    datagram:add(tree, "loose.index", at + 3, at + 4)
  end
  if length then datagram:add_varint(tree, "loose.length", head, length, length_size) end
  datagram:add(tree, "loose.bytes", from, bytes_to)
  datagram:add(tree, "loose.crc32", bytes_to, stop)
  return stop, words
end

for type_bits = 8, 15 do FRAMES[type_bits] = data end
FRAMES[1], FRAMES[2], FRAMES[3], FRAMES[4] = ack, skip, hello, stop_frame
FRAMES[5], FRAMES[6], FRAMES[7] = close, loose, extension

local function unknown_frame() return nil, "unknown-frame" end

local function show_unreadable(datagram, tree, from, to, words)
  local item = datagram:add(tree, "unreadable", from, to) or tree
  item:append_text(" (" .. words .. ")")
  item:add_proto_expert_info(EXPERTS.malformed, words)
end

local function show_frames(datagram, tree, from, to, parts)
  local at = from
  while at < to do
    local start = at
    while at < to and datagram:u8(at) == 0 do at = at + 1 end
    if at > start then
      parts[#parts + 1] = "pad " .. count_bytes(at - start)
      datagram:add(tree, "pad", start, at)
    else
      local function open(stop, words) return tree:add(fardel, datagram:range(start, stop), words) end
      local read = FRAMES[rshift(datagram:u8(at), 4)] or unknown_frame
      local stop, words = read(datagram, at, to, open, from)
      if not stop then
        parts[#parts + 1] = string.format("%s at byte %d: %s", words, at, hex_of(datagram:sub(at, to)))
        show_unreadable(datagram, tree, at, to, words)
        return
      end
      parts[#parts + 1] = words
      at = stop
    end
  end
end

------------------------------------------------------------------------------------------------------
-- Datagrams without session, section 15. The fields of a body are read one after the other; the first
-- one that is cut off makes all of it unreadable. So they are collected first and shown at the end.

local Body = {}
Body.__index = Body

function Body:has(size)
  if self.at + size > self.to then self.is_sound = false end
  return self.is_sound
end

function Body:later(show) self.shows[#self.shows + 1] = show end

function Body:take(size, ...)
  if not self:has(size) then return end
  local at, names, datagram = self.at, { ... }, self.datagram
  self:later(function(tree)
    for _, name in ipairs(names) do datagram:add(tree, self.part .. "." .. name, at, at + size) end
  end)
  self.at = at + size
  return at
end

function Body:text(name)
  if not self:has(1) then return end
  local size = self.datagram:u8(self.at)
  if not self:has(1 + size) then return end
  self:take(1, name .. "_length")
  local at, datagram = self.at, self.datagram
  self:later(function(tree) datagram:add_text(tree, self.part .. "." .. name, at, at + size) end)
  self.at = at + size
end

function Body:varint(name)
  if not self:has(1) then return end
  local at, datagram = self.at, self.datagram
  local size = 2 ^ rshift(datagram:u8(at), 6)
  if not self:has(size) then return end
  local value = band(datagram:u8(at), 0x3f)
  local high = 0
  for index = at + 1, at + size - 1 do
    high = high * 256 + math.floor(value / 16777216)
    value = value % 16777216 * 256 + datagram:u8(index)
  end
  self:later(function(tree)
    datagram:add_value(tree, self.part .. "." .. name, at, at + size, UInt64.new(value, high))
  end)
  self.at = at + size
end

function Body:rest(name)
  local at, to, datagram = self.at, self.to, self.datagram
  self:later(function(tree) datagram:add(tree, self.part .. "." .. name, at, to) end)
  self.at = to
end

local BODIES = {
  announce = function(body)
    body:take(1, "version")
    local at = body:take(1, "in_pairing_mode", "takes_plain_sessions", "takes_protected_sessions", "reserved")
    if at then
      local datagram = body.datagram
      body:later(function(tree)
        local item = datagram:add(tree, "announce.ways_of_pairing", at, at + 1)
        item:append_text(" (" .. ways_open(rshift(datagram:u8(at), 4)) .. ")")
      end)
    end
    body:take(2, "mtu")
    body:take(1, "window")
    body:varint("message")
    body:text("kind")
    body:text("name")
  end,
  query = function(body)
    body:take(4, "id")
    body:take(2, "spread")
    body:take(1, "only_in_pairing_mode", "reserved")
    body:text("kind")
    body:text("prefix")
    if not body:has(1) then return end
    local size = body.datagram:u8(body.at)
    if not body:has(1 + size) then return end
    body:take(1, "map_length")
    if size > 0 then body:take(size, "map") end
  end,
  pair = function(body)
    if not body:has(1) then return end
    local step = body.datagram:u8(body.at)
    body:take(1, "step")
    body:take(4, "exchange")
    if step == 1 then body:take(1, "way") end
    if step == 8 then body:take(1, "reason") end
    if body.is_sound then body:rest("fields") end
  end,
}

local function show_crc(datagram, tree, at, judged)
  local crc = datagram:u8(at) + datagram:u8(at + 1) * 256
  local item = datagram:add_value(tree, "crc.crc16", at, at + 2, crc)
  datagram:add_value(item, "crc.judged", at, at + 2, judged):set_generated()
  if judged == 0 then item:add_proto_expert_info(EXPERTS.crc) end
  local verdict = judged == 1 and " good" or judged == 0 and " wrong" or ""
  return string.format("crc %04x%s", crc, verdict)
end

local function show_sessionless(datagram, tree)
  local to = datagram.length - 2
  local kind = datagram:u8(1)
  local word = KIND_WORDS[kind] or "kind " .. kind
  local head = tree:add(fardel, datagram:range(0, 2), "without session, " .. word)
  datagram:add(head, "head.version", 0, 1)
  datagram:add(head, "head.form", 0, 1)
  datagram:add(head, "head.reserved without session", 0, 1)
  datagram:add(head, "head.kind", 1, 2)
  if to > 2 then
    local part = KIND_WORDS[kind] or "other"
    local body = setmetatable(
      { datagram = datagram, at = 2, to = to, part = part, is_sound = true, shows = {} }, Body)
    if BODIES[part] then BODIES[part](body) end
    if body.is_sound and part ~= "pair" then body:rest("rest") end
    if body.is_sound then
      local shown = tree:add(fardel, datagram:range(2, to), word .. ", " .. count_bytes(to - 2))
      for _, show in ipairs(body.shows) do show(shown) end
    else
      show_unreadable(datagram, tree, 2, to, word .. " that is cut short")
    end
  end
  local crc = show_crc(datagram, tree, to, datagram:is_crc_good() and 1 or 0)
  return string.format("without session · %s, %s: %s · %s", word, count_bytes(to - 2),
    hex_of(datagram:sub(2, to)), crc)
end

------------------------------------------------------------------------------------------------------
-- Datagrams of sessions, section 2

-- What the first byte alone forbids. The version comes first: it decides what the rest means.
local function head_fault(first)
  if rshift(first, 6) ~= 1 then return "other-version" end
  if band(first, 0x30) > 0x10 then return "unknown-form" end
  if band(first, 0x08) ~= 0 then return "protected" end
  if band(first, 0x04) ~= 0 then return "reserved-bit" end
end

local function show_head(datagram, tree, is_long, is_protected, head_bytes)
  local ask = ASK_WORDS[band(datagram:u8(0), 0x03)]
  local words
  if is_long then
    words = string.format("long from %08x to %08x #%08x ask %s", datagram:u32(1), datagram:u32(5),
      datagram:u32(9), ask)
  else
    words = string.format("short #…%04x ask %s", datagram:u16(1), ask)
  end
  local head = tree:add(fardel, datagram:range(0, head_bytes), words)
  for _, name in ipairs({ "version", "form", "p", "reserved", "ask" }) do
    datagram:add(head, "head." .. name, 0, 1)
  end
  if is_long then
    datagram:add(head, "head.token_from", 1, 5)
    datagram:add(head, "head.token_to", 5, 9)
    datagram:add(head, "head.number", 9, 13)
    if is_protected then datagram:add(head, "head.salt_from", 13, 25) end
  else
    datagram:add(head, "head.number", 1, 3):append_text(" (low 16 bits)")
  end
  return words
end

local function show_protected(datagram, tree, parts, is_long, head_bytes)
  local to = datagram.length - 8
  parts[1] = "protected " .. parts[1]
  if is_long then parts[#parts + 1] = "salt " .. hex_of(datagram:sub(13, 25)) end
  datagram:add(tree, "encrypted", head_bytes, to)
  datagram:add(tree, "tag", to, to + 8)
  parts[#parts + 1] = count_bytes(to - head_bytes) .. " encrypted"
  parts[#parts + 1] = "tag " .. hex_of(datagram:sub(to, to + 8))
end

-- Gives all of it in one line of text.
local function show_datagram(datagram, tree)
  local first = datagram:u8(0) or 0
  if first == 0x60 and datagram.length >= 4 then return show_sessionless(datagram, tree) end
  local is_long = band(first, 0x30) == 0x10
  local is_protected = band(first, 0x08) ~= 0 and not head_fault(first - 8)
  local fault = not is_protected and (datagram.length == 0 and "too-short" or head_fault(first)) or nil
  local head_bytes = not is_long and 3 or is_protected and 25 or 13
  local tail_bytes = is_protected and 8 or 2
  if not fault and datagram.length < head_bytes + tail_bytes then fault = "too-short" end
  if fault then
    local words = (is_protected and "protected, " or "") .. fault .. ", " .. count_bytes(datagram.length)
    show_unreadable(datagram, tree, 0, datagram.length, words)
    return words .. ": " .. hex_of(datagram.raw)
  end
  local parts = { show_head(datagram, tree, is_long, is_protected, head_bytes) }
  if is_protected then
    show_protected(datagram, tree, parts, is_long, head_bytes)
  else
    local to = datagram.length - 2
    show_frames(datagram, tree, head_bytes, to, parts)
    local judged = not is_long and 2 or datagram:is_crc_good() and 1 or 0
    parts[#parts + 1] = show_crc(datagram, tree, to, judged)
  end
  return table.concat(parts, " · ")
end

------------------------------------------------------------------------------------------------------
-- What the link told: the pseudo-header of CAPTURE.md

local PSEUDO_BYTES_MIN = 15
local ARRIVED = { delivered = true, corrupted = true, filtered = true }

-- What stands behind a comma only adds to it: "delivered, copy".
local function has_arrived(fate) return fate == "" or ARRIVED[fate:match("^[^,]*")] == true end

-- As the link that was recorded writes it: HOST:PORT on UDP, else hexadecimal with colons.
local function address_words(bytes, is_udp)
  if is_udp and #bytes == 6 then
    local a, b, c, d, high, low = bytes:byte(1, 6)
    return string.format("%d.%d.%d.%d:%d", a, b, c, d, high * 256 + low)
  end
  return #bytes == 0 and "" or colon_hex(bytes)
end

local function show_link(link, tree, pinfo)
  local length = link:u8(1)
  local from_at = PSEUDO_BYTES_MIN
  local to_at = from_at + link:u8(8)
  local fate_at = to_at + link:u8(9)
  local stop = fate_at + link:u8(10)
  local flags, outcome = link:u8(2), link:u8(3)
  local head = tree:add(fardel, link:range(0, length), "What the link told")
  link:add(head, "link.version", 0, 1)
  link:add(head, "link.length", 1, 2)
  for _, name in ipairs({ "direction", "has_rssi", "has_radio_channel", "has_took" }) do
    link:add(head, "link." .. name, 2, 3)
  end
  local outcome_item = link:add(head, "link.outcome", 3, 4)
  if outcome >= 3 then outcome_item:add_proto_expert_info(EXPERTS.outcome) end
  if band(flags, 0x04) ~= 0 then
    local hundredths = link:u16(4)
    if hundredths >= 32768 then hundredths = hundredths - 65536 end
    link:add_value(head, "link.rssi", 4, 6, hundredths / 100)
  end
  if band(flags, 0x08) ~= 0 then link:add(head, "link.radio_channel", 6, 8) end
  link:add(head, "link.from_length", 8, 9)
  link:add(head, "link.to_length", 9, 10)
  link:add(head, "link.fate_length", 10, 11)
  if band(flags, 0x10) ~= 0 then link:add(head, "link.took", 11, 15) end
  link:add(head, "link.from", from_at, to_at)
  link:add(head, "link.to", to_at, fate_at)
  local fate_item = link:add_text(head, "link.fate", fate_at, stop)
  if fate_item and not has_arrived(link:sub(fate_at, stop)) then
    fate_item:add_proto_expert_info(EXPERTS.fate)
  end
  link:add(head, "link.rest", stop, length)
  local name = interface_name()
  local is_udp = name ~= nil and tostring(name.value):sub(1, 4) == "udp:"
  pinfo.cols.src = address_words(link:sub(from_at, to_at), is_udp)
  pinfo.cols.dst = address_words(link:sub(to_at, fate_at), is_udp)
  return outcome, link:sub(fate_at, stop)
end

-- Whether a pseudo-header of ours stands here: link type 147 is anybody's.
local function is_ours(link)
  if link.length < PSEUDO_BYTES_MIN or link:u8(0) ~= 1 then return false end
  local needed = PSEUDO_BYTES_MIN + link:u8(8) + link:u8(9) + link:u8(10)
  return link:u8(1) >= needed and link:u8(1) <= link.length
end

function fardel.dissector(buffer, pinfo, tree)
  local link = datagram_at(buffer, 0)
  if not is_ours(link) then return 0 end
  pinfo.cols.protocol = "Fardel"
  local all = tree:add(fardel, buffer())
  local outcome, fate = show_link(link, all, pinfo)
  local words = show_datagram(datagram_at(buffer, link:u8(1)), all)
  all:add(fields["text"], words):set_generated()
  local notes = ""
  if outcome >= 3 then notes = "[" .. (OUTCOME_WORDS[outcome] or "outcome " .. outcome) .. "] " end
  if not has_arrived(fate) then notes = notes .. "[" .. fate .. "] " end
  pinfo.cols.info = notes .. words
  return buffer:len()
end

DissectorTable.get("wtap_encap"):add(wtap.USER0, fardel)
