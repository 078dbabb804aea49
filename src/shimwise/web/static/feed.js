// A camera's picture, filmed by this page: opened when the person asks, its stars cut out, sent, and the figures handed on.
// Frames stay on this machine and the one that serves the pages; none is kept. The bytes are described in docs/guide/picture.md.
(() => {
  "use strict";
  // What was told of a body's sensor and camera is kept on this device, for the panel, the guide and the sweeps alike.
  const KEPT = "shimwise-feed";
  const keptOf = (bodyId) => {
    try {
      return JSON.parse(localStorage.getItem(`${KEPT}-${bodyId}`) || "{}");
    } catch {
      return {};
    }
  };
  const keep = (bodyId, known) => {
    try {
      localStorage.setItem(`${KEPT}-${bodyId}`, JSON.stringify({ ...keptOf(bodyId), ...known }));
    } catch { /* without room it is typed again */ }
  };
  window.shimwiseSensor = { keptOf, keep };

  if (window.shimwiseFeed) return;

  const LEAST_MS = 1000 / 30 - 2;   // the server takes 30 a second
  const LOOK_MS = 200;              // between looks at the whole picture for a star
  const MOST_UNANSWERED = 2;
  const STALL_MS = 600;
  const SLOW_MS = 8000;             // the server has not begun to measure for so long: that is said
  const LATE_MS = 2000;             // a frame is not answered for so long: what is shown is old
  const PAGE = `${Date.now().toString(36)}-${Math.random().toString(36).slice(2)}`;  // whose former line is taken over silently
  const LOOK_PX = 512;
  const MEAN_MS = 1000;             // the frames of so long are kept as one
  const [LEAST_OF_HALF, MOST_OF_MEAN] = [3, 60];  // of a slow feed it takes longer, of a fast one less
  const [MOVED, MOVED_CODES] = [1.6, 0.6];  // both halves of them are alike so far: of what frames differ by, and in codes
  const BLACK = 26;                 // nothing is brighter: as the server says it
  const [LIMITED, WHOLE] = [1, 2];
  const [HEAD_BYTES, PART_BYTES] = [20, 10];

  const FAILED = {
    NotAllowedError: "The camera was not allowed. Allow it for this page, beside its address in the browser, and open it again.",
    SecurityError: "The camera was not allowed. Allow it for this page, beside its address in the browser, and open it again.",
    NotFoundError: "No camera is connected to this device. Plug one in, or a capture device, and open it again.",
    NotReadableError: "The camera is in use by another page or program, or does not answer. Close it there, and open it again.",
    AbortError: "The camera did not start. Plug it in again, and open it again.",
    OverconstrainedError: "The camera that was chosen is not connected any more. Choose another.",
  };

  // Why no camera can be opened here at all; empty where it can.
  function hindrance() {
    if (!window.isSecureContext || !navigator.mediaDevices?.getUserMedia) {
      return "A browser opens a camera only for pages of its own machine (127.0.0.1) or over https. Open the pages on the machine that serves them, or serve them with a certificate. The pad works here as always.";
    }
    if (!("requestVideoFrameCallback" in HTMLVideoElement.prototype) || !window.WebSocket) {
      return "This browser does not hand out a camera's single frames. Use a newer one; the pad works here as always.";
    }
    return "";
  }

  // ---- grey codes of parts of the frame that is shown ----

  // What a browser decodes to is taken as it is, luma in its own range; else what a canvas makes of it.
  class Cutter {
    constructor(video) {
      this.video = video;
      this.canvas = document.createElement("canvas");
      this.pen = this.canvas.getContext("2d", { willReadFrequently: true });
      this.isPlain = !("VideoFrame" in window);
      this.bytes = [];
    }

    async parts(windows) {
      if (!this.isPlain) {
        const frame = new VideoFrame(this.video);
        try {
          const isLuma = /^(I420|NV12)/.test(frame.format || "") && !frame.rotation && !frame.flip
            && frame.visibleRect.x === 0 && frame.visibleRect.y === 0
            && frame.visibleRect.width === this.video.videoWidth && frame.visibleRect.height === this.video.videoHeight;
          if (isLuma) {
            const greys = await Promise.all(windows.map((one, k) => this.ofFrame(frame, one, k)));
            return { greys, isLimited: frame.colorSpace.fullRange !== true };
          }
          this.isPlain = true;
        } finally {
          frame.close();
        }
      }
      return { greys: windows.map((one) => this.ofCanvas(one)), isLimited: false };
    }

    async ofFrame(frame, [, x, y, columns, rows, shrink], k) {
      const rect = { x, y, width: columns * shrink, height: rows * shrink };
      const size = frame.allocationSize({ rect });
      if ((this.bytes[k]?.length || 0) < size) this.bytes[k] = new Uint8Array(size);
      const [{ offset, stride }] = await frame.copyTo(this.bytes[k], { rect });
      return shrunk(this.bytes[k], offset, stride, columns, rows, shrink);
    }

    ofCanvas([, x, y, columns, rows, shrink]) {
      const [width, height] = [columns * shrink, rows * shrink];
      return shrunk(this.luma(x, y, width, height, width, height), 0, width, columns, rows, shrink);
    }

    // The whole picture, made smaller: only to look for a star.
    whole() {
      const { videoWidth: width, videoHeight: height } = this.video;
      const scale = Math.min(1, LOOK_PX / Math.max(width, height));
      const [columns, rows] = [Math.round(width * scale), Math.round(height * scale)];
      return { columns, rows, grey: this.luma(0, 0, width, height, columns, rows) };
    }

    luma(x, y, width, height, columns, rows) {
      if (this.canvas.width < columns || this.canvas.height < rows) Object.assign(this.canvas, { width: columns, height: rows });
      this.pen.drawImage(this.video, x, y, width, height, 0, 0, columns, rows);
      const rgb = this.pen.getImageData(0, 0, columns, rows).data;
      const grey = new Uint8Array(columns * rows);
      // Rec. ITU-R BT.709-6, item 3.2, in 16 bits.
      for (let k = 0, at = 0; k < grey.length; k += 1, at += 4) grey[k] = (13933 * rgb[at] + 46871 * rgb[at + 1] + 4732 * rgb[at + 2] + 32768) >> 16;
      return grey;
    }
  }

  // Rows without their padding; of a picture that is too large, the mean of so many pixels a side.
  function shrunk(bytes, offset, stride, columns, rows, shrink) {
    const grey = new Uint8Array(columns * rows);
    for (let row = 0; row < rows; row += 1) {
      if (shrink === 1) {
        grey.set(bytes.subarray(offset + row * stride, offset + row * stride + columns), row * columns);
        continue;
      }
      for (let column = 0; column < columns; column += 1) {
        let sum = 0;
        for (let down = 0; down < shrink; down += 1) {
          const at = offset + (row * shrink + down) * stride + column * shrink;
          for (let right = 0; right < shrink; right += 1) sum += bytes[at + right];
        }
        grey[row * columns + column] = Math.round(sum / shrink ** 2);
      }
    }
    return grey;
  }

  function message({ flags, dropped, tUs, width, height, windows, greys }) {
    const size = greys.reduce((sum, one) => sum + one.length, HEAD_BYTES + windows.length * PART_BYTES);
    const bytes = new Uint8Array(size);
    const view = new DataView(bytes.buffer);
    bytes.set([0x53, 0x57, 0x46, 0x31, flags, windows.length]);  // SWF1
    view.setUint16(6, Math.min(dropped, 65535), true);
    view.setBigUint64(8, BigInt(tUs), true);
    view.setUint16(16, width, true);
    view.setUint16(18, height, true);
    let [at, place] = [HEAD_BYTES, HEAD_BYTES + windows.length * PART_BYTES];
    windows.forEach(([star, x, y, columns, rows, shrink], number) => {
      [x, y, columns, rows].forEach((value, k) => view.setUint16(at + 2 * k, value, true));
      bytes.set([shrink, star], at + 8);
      at += PART_BYTES;
      bytes.set(greys[number], place);
      place += greys[number].length;
    });
    return bytes;
  }

  // Some places of the picture about a star, or of all of it.
  function placesOf(near, width, height) {
    const reach = near ? near.radius : Math.max(width, height);
    const [x, y] = near ? [near.x, near.y] : [width / 2, height / 2];
    const [left, right, top, bottom] = [x - reach, x + reach, y - reach, y + reach].map((at, k) => Math.min(Math.max(Math.round(at), 0), (k < 2 ? width : height)));
    const places = [];
    for (let row = top; row < bottom; row += 2) for (let column = left; column < right; column += 2) places.push(row * width + column);
    return places;
  }

  // What halves of a second differ by in mean, light taken out, beside what one frame differs by from the next.
  function isChanged([first, second], count, between, places) {
    const sumOf = (sums) => places.reduce((sum, at) => sum + sums[at], 0);
    const gain = sumOf(second) / Math.max(sumOf(first), 1);
    const off = places.reduce((sum, at) => sum + Math.abs(gain * first[at] - second[at]), 0) / (places.length * count);
    return off > MOVED * between + MOVED_CODES;
  }

  // ---- the feed ----

  // path: the line; told: () => what is known of lens and pixels; on: { answer, state, refused } are called.
  window.shimwiseFeed = function shimwiseFeed({ path, video, told, on }) {
    let stream = null;
    let socket = null;
    let cutter = null;
    let want = "whole";
    let [isReady, isBusy] = [false, false];
    let [unanswered, lost, presented] = [[], 0, 0];
    let [sentAt, lookedAt, frameAt, stallTimer, size] = [0, 0, 0, 0, ""];
    let turn = 0;  // of opening; what belongs to an earlier one is left
    let onNext = null;  // is told of the next frame, or that there is none

    const tUsOf = (now, meta) => Math.round(1000 * (meta.captureTime ?? now));

    async function frame(now, meta, ofTurn) {
      if (ofTurn !== turn) return;
      video.requestVideoFrameCallback((next, its) => frame(next, its, ofTurn));
      lost += presented ? Math.max(0, meta.presentedFrames - presented - 1) : 0;
      presented = meta.presentedFrames;
      frameAt = performance.now();
      onNext?.(true);
      const shape = `${video.videoWidth} × ${video.videoHeight}`;
      if (size && size !== shape) return end(`The camera's picture has become ${shape} px, it was ${size}. Open it again: a pixel is another one now.`);
      size = shape;
      const isWhole = want === "whole";
      if (!isReady || isWhole && frameAt - lookedAt < LOOK_MS) return;
      // A slow line or server gets fewer frames, and is told how many it did not get.
      if (frameAt - sentAt < LEAST_MS || unanswered.length >= MOST_UNANSWERED || isBusy || socket.bufferedAmount > 0) {
        lost += 1;
        return;
      }
      isBusy = true;
      sentAt = frameAt;
      try {
        const [arrivedMs, tUs] = [frameAt, tUsOf(now, meta)];
        const [width, height] = [video.videoWidth, video.videoHeight];
        let [windows, greys, flags] = [want, null, 0];
        if (isWhole) {
          lookedAt = frameAt;
          const { columns, rows, grey } = cutter.whole();
          [windows, greys, flags] = [[[0, 0, 0, columns, rows, 1]], [grey], WHOLE];
        } else {
          const cut = await cutter.parts(windows);
          [greys, flags] = [cut.greys, cut.isLimited ? LIMITED : 0];
        }
        if (ofTurn !== turn) return;
        socket.send(message({ flags, dropped: lost, tUs, width, height, windows, greys }));
        unanswered.push({ tUs, arrivedMs });
        lost = 0;
      } catch (error) {
        if (ofTurn === turn) end(`The frames of this camera cannot be read here (${error.message}). Try another browser.`);
      } finally {
        isBusy = false;
      }
    }

    function answered(event, ofTurn) {
      if (ofTurn !== turn) return;
      const said = JSON.parse(event.data);
      if (said.refused) return end(said.refused.text, said.refused.code);
      if (said.ready) {
        isReady = true;
        on.state("runs");
        return;
      }
      want = said.want;
      const sent = unanswered.find((one) => one.tUs === said.t_us);
      unanswered = unanswered.filter((one) => one.tUs > said.t_us);
      on.answer(said);
      if (sent) {
        const tookMs = performance.now() - sent.arrivedMs;
        video.dispatchEvent(new CustomEvent("shimwise:measured", { bubbles: true, detail: { tookMs, stars: said.stars.length, isMeasured: Boolean(said.meter), dropped: said.dropped } }));
      }
    }

    const next = () => new Promise((resolve) => {
      const timer = window.setTimeout(() => onNext?.(false), STALL_MS);
      onNext = (isThere) => {
        window.clearTimeout(timer);
        onNext = null;
        resolve(isThere);
      };
    });

    // One picture of a second at rest: the mean of its frames, whole, 16 bits; or why there is none. near: where to look whether it rests.
    async function mean(near) {
      const [ofTurn, cut, width, height] = [turn, new Cutter(video), video.videoWidth, video.videoHeight];
      const halves = [0, 1].map(() => new Uint16Array(width * height));
      const [begun, counts] = [performance.now(), [0, 0]];
      const places = placesOf(near, width, height);
      let [before, between, isLimited, most] = [null, 0, false, 0];
      const isDone = () => counts[1] >= LEAST_OF_HALF && performance.now() - begun >= MEAN_MS || counts[0] + counts[1] >= MOST_OF_MEAN;
      while (!isDone()) {
        if (!await next() || ofTurn !== turn) return { problem: ofTurn === turn ? "The camera sends nothing: look to it, and take the position again." : "gone" };
        const got = await cut.parts([[0, 0, 0, width, height, 1]]);
        const half = counts[0] < LEAST_OF_HALF || counts[0] < MOST_OF_MEAN / 2 && performance.now() - begun < MEAN_MS / 2 ? 0 : 1;
        const [grey, sums] = [got.greys[0], halves[half]];
        counts[half] += 1;
        isLimited = got.isLimited;
        for (let at = 0; at < grey.length; at += 1) sums[at] += grey[at];
        for (const at of places) most = Math.max(most, grey[at]);
        if (before) between += places.reduce((sum, at) => sum + Math.abs(grey[at] - before[at]), 0) / places.length;
        before = grey;
      }
      if (most < BLACK) return { problem: "The picture is black. See to cap, iris and light, and take the position again." };
      if (!between) return { problem: "The picture is frozen: nothing new comes from the camera. See to it, and take the position again." };
      const count = counts[0] + counts[1];
      if (isChanged(halves, counts[1], between / (count - 1), places)) return { problem: "The picture still moved, or its light did. Let it rest for a second, and take the position again." };
      // Codes of 16 bits: those of the limited range as many times 256, of the full range 257.
      const codes = new Uint16Array(width * height);
      const scale = (isLimited ? 256 : 257) / count;
      for (let at = 0; at < codes.length; at += 1) codes[at] = Math.round(scale * (halves[0][at] + halves[1][at]));
      return { codes, width, height, isLimited };
    }

    function connect(ofTurn) {
      socket = new WebSocket(`${location.protocol.replace("http", "ws")}//${location.host}${path}`);
      socket.binaryType = "arraybuffer";
      window.setTimeout(() => ofTurn === turn && !isReady && on.state("waits"), SLOW_MS);
      socket.onopen = () => socket.send(JSON.stringify({ ...told({ width: video.videoWidth, height: video.videoHeight }), page: PAGE }));
      socket.onmessage = (event) => answered(event, ofTurn);
      socket.onclose = () => ofTurn === turn && end("The server does not answer. Check the network and open the camera again; what was saved is kept.");
    }

    function watchStall(ofTurn) {
      stallTimer = window.setInterval(() => {
        if (ofTurn === turn && unanswered.length && performance.now() - unanswered[0].arrivedMs > LATE_MS) on.state("waits");
        if (ofTurn !== turn || !isReady || performance.now() - frameAt < STALL_MS || document.hidden) return;
        on.state("stalls");
        if (socket.readyState === WebSocket.OPEN && want !== "whole") socket.send(JSON.stringify({ do: "stalled", t_us: Math.round(1000 * performance.now()) }));
      }, STALL_MS);
    }

    async function open(deviceId) {
      document.dispatchEvent(new CustomEvent("shimwise:films", { detail: video }));
      stop();
      turn += 1;
      const ofTurn = turn;
      const reason = hindrance();
      if (reason) return end(reason);
      on.state("opens");
      try {
        const wanted = { width: { ideal: 1920 }, height: { ideal: 1080 }, frameRate: { ideal: 25 }, resizeMode: { ideal: "none" } };
        if (deviceId) wanted.deviceId = { exact: deviceId };
        const got = await navigator.mediaDevices.getUserMedia({ video: wanted, audio: false });
        if (ofTurn !== turn) {
          for (const track of got.getTracks()) track.stop();
          return;
        }
        stream = got;
        stream.getVideoTracks()[0].addEventListener("ended", () => ofTurn === turn && end("The camera is gone: unplugged, or not allowed any more. Plug it in and open it again; what was saved is kept."));
        video.srcObject = stream;
        await video.play();
      } catch (error) {
        if (ofTurn === turn) end(FAILED[error.name] || `The camera cannot be opened (${error.message}).`);
        return;
      }
      if (ofTurn !== turn) return;
      cutter = new Cutter(video);
      [want, isReady, unanswered, lost, presented, size] = ["whole", false, [], 0, 0, ""];
      connect(ofTurn);
      video.requestVideoFrameCallback((now, meta) => frame(now, meta, ofTurn));
      watchStall(ofTurn);
    }

    function stop() {
      turn += 1;
      onNext?.(false);
      window.clearInterval(stallTimer);
      if (socket) socket.close();
      for (const track of stream?.getTracks() || []) track.stop();
      video.srcObject = null;
      [socket, stream, isReady] = [null, null, false];
    }

    function end(words, code = "") {
      stop();
      on.refused(words, code);
    }

    const say = (what) => isReady && socket.send(JSON.stringify(what));
    document.addEventListener("shimwise:films", ({ detail }) => stream && detail !== video && end("The camera is closed here: another part of this page films now."));
    window.addEventListener("pagehide", () => stream && end("The camera is closed: the page was left."));

    return {
      open,
      stop,
      hindrance,
      pick: (x, y) => say({ do: "pick", x, y }),
      mean,
      startOver: () => say({ do: "start over" }),
      nameFirst: (first) => say({ do: "first", first }),
      get isOpen() { return Boolean(stream); },
      get deviceId() { return stream?.getVideoTracks()[0]?.getSettings().deviceId || ""; },
      async devices() {
        const all = await navigator.mediaDevices.enumerateDevices();
        return all.filter((one) => one.kind === "videoinput");
      },
    };
  };
})();
