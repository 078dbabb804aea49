// A grey picture of 16 bits as a PNG file, without loss. W3C, Portable Network Graphics (PNG) Specification, chapters 5 and 11.
(() => {
  "use strict";
  if (window.shimwiseGreyPng) return;

  const TABLE = Uint32Array.from({ length: 256 }, (_, byte) => {
    let rest = byte;
    for (let bit = 0; bit < 8; bit += 1) rest = rest & 1 ? 0xedb88320 ^ (rest >>> 1) : rest >>> 1;
    return rest >>> 0;
  });
  function crc(bytes) {
    let rest = 0xffffffff;
    for (const byte of bytes) rest = TABLE[(rest ^ byte) & 255] ^ (rest >>> 8);
    return (rest ^ 0xffffffff) >>> 0;
  }

  function chunk(type, data) {
    const bytes = new Uint8Array(data.length + 12);
    const view = new DataView(bytes.buffer);
    view.setUint32(0, data.length);
    bytes.set([...type].map((letter) => letter.charCodeAt(0)), 4);
    bytes.set(data, 8);
    view.setUint32(data.length + 8, crc(bytes.subarray(4, data.length + 8)));
    return bytes;
  }

  const packed = async (bytes) => new Uint8Array(await new Response(new Blob([bytes]).stream().pipeThrough(new CompressionStream("deflate"))).arrayBuffer());

  window.shimwiseGreyPng = async function shimwiseGreyPng({ codes, width, height }) {
    const head = new Uint8Array(13);
    const view = new DataView(head.buffer);
    view.setUint32(0, width);
    view.setUint32(4, height);
    head[8] = 16;  // bits; grey, no filter but the first of them, rows in order
    const rows = new Uint8Array(height * (2 * width + 1));
    for (let row = 0, at = 0, from = 0; row < height; row += 1) {
      at += 1;
      for (let column = 0; column < width; column += 1, at += 2, from += 1) {
        rows[at] = codes[from] >> 8;
        rows[at + 1] = codes[from] & 255;
      }
    }
    const sign = Uint8Array.from([0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a]);
    return new Blob([sign, chunk("IHDR", head), chunk("IDAT", await packed(rows)), chunk("IEND", new Uint8Array(0))], { type: "image/png" });
  };
})();
