// The strict ZIP: every byte belongs to exactly one header, name or member. Rule: FORMAT.md section 6.

const CRC = Int32Array.from({ length: 256 }, (_, byte) => {
  let value = byte;
  for (let bit = 0; bit < 8; bit += 1) value = (value >>> 1) ^ (value & 1 ? 0xedb88320 : 0);
  return value;
});

function crc32(bytes) {
  let crc = -1;
  for (let i = 0; i < bytes.length; i += 1) crc = (crc >>> 8) ^ CRC[(crc ^ bytes[i]) & 255];
  return ~crc >>> 0;
}

/** The members, name to bytes, in their order. Throws Bad at the first thing that is not of the form. */
async function read_zip(bytes, pause) {
  const fail = (at, what) => {
    throw new Bad(`at byte ${at}: ${what}`);
  };
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const end = bytes.length - 22;
  if (end < 0) fail(0, "shorter than any ZIP");
  const two = (at) => (at + 2 > bytes.length ? fail(at, "the archive ends too early") : view.getUint16(at, true));
  const four = (at) => (at + 4 > bytes.length ? fail(at, "the archive ends too early") : view.getUint32(at, true));
  if (four(end) !== 0x06054b50) fail(end, "no end record in the last 22 bytes");
  if (four(end + 4) !== 0 || two(end + 8) !== two(end + 10)) fail(end + 4, "an archive in several parts");
  const [count, length, start] = [two(end + 8), four(end + 12), four(end + 16)];
  if (count === 0xffff || length === 0xffffffff || start === 0xffffffff) fail(end + 8, "a 64-bit archive");
  if (two(end + 20) !== 0) fail(end + 20, "an archive comment");
  if (start + length !== end) fail(end, "the central directory does not end where the end record begins");

  const members = new Map();
  let [header, at] = [start, 0];
  for (let i = 0; i < count; i += 1) {
    if (four(header) !== 0x02014b50) fail(header, "no central header where one must be");
    if (two(header + 6) > 20) fail(header + 6, "a version above 2.0");
    if (two(header + 8) !== 0) fail(header + 8, "a flag (encryption, data descriptor, another name encoding)");
    if (two(header + 10) !== 0) fail(header + 10, "compressed; members are stored");
    const [size, name_length] = [four(header + 24), two(header + 28)];
    if (size === 0xffffffff || four(header + 42) === 0xffffffff) fail(header + 24, "a 64-bit archive");
    if (four(header + 20) !== size) fail(header + 20, "a stored member whose two lengths differ");
    if (two(header + 30) !== 0) fail(header + 30, "an extra field");
    if (two(header + 32) !== 0) fail(header + 32, "a member's comment");
    if (two(header + 34) !== 0) fail(header + 34, "an archive in several parts");
    if (four(header + 42) !== at) fail(at, "members do not follow one another");
    if (header + 46 + name_length > end) fail(header, "the archive ends too early");
    const name = bytes.subarray(header + 46, header + 46 + name_length);
    if (four(at) !== 0x04034b50) fail(at, "no local header where one must be");
    if (!same(bytes.subarray(at + 4, at + 30), bytes.subarray(header + 6, header + 32))) {
      fail(at, "the local header differs from the central one");
    }
    if (!same(bytes.subarray(at + 30, at + 30 + name_length), name)) fail(at + 30, "the local name differs from the central one");
    const text = String.fromCharCode(...name);
    if (!is_path(text) || text.split("/").some((part) => part === "." || part === "..")) {
      throw new Bad(`"${cut(text)}" is not a member's name (A-Z, a-z, 0-9, '.', '_', '-', '/')`);
    }
    if (members.has(text)) throw new Bad(`${cut(text)} is there twice`);
    const from = at + 30 + name_length;
    if (from + size > start) fail(from, "the archive ends too early");
    const content = bytes.subarray(from, from + size);
    await pause?.();
    if (crc32(content) !== four(header + 16)) throw new Bad(`the bytes of ${cut(text)} do not have its checksum`);
    members.set(text, content);
    at = from + size;
    header += 46 + name_length;
  }
  if (header !== end) fail(header, "something stands between the central directory and the end record");
  if (at !== start) fail(at, "something stands between the members and the central directory");
  return members;
}
