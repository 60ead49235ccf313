/* What a hostile listener collects from one sitting; evaluated in the page by the test. */
async ({ tokens, wanted }) => {
  const spyOn = async (token) => {
  const base = `/listen/${token}`;
  const seen = [];
  const digest = async (bytes) =>
    new Uint8Array(await crypto.subtle.digest("SHA-256", bytes)).slice(0, 6).reduce((a, b) => a * 256 + b);
  const letters = (text) => [...text].map((c) => c.charCodeAt(0));
  const repeats = (one, other) => {
    const blocksOf = (bytes) => {
      const words = new Uint32Array(bytes.slice().buffer);
      return Array.from({ length: words.length >> 4 }, (_, i) => words.subarray(16 * i, 16 * i + 16).join());
    };
    const blocks = new Set(blocksOf(one));
    return blocksOf(other).filter((block) => blocks.has(block)).length;
  };
  while (seen.length < wanted) {
    const asked = performance.now();
    const response = await fetch(`${base}/next`);
    const text = await response.text();
    const next = JSON.parse(text);
    if (next.state === "break") { await fetch(next.resume, { method: "POST" }); continue; }
    if (next.state !== "trial") break;
    const told = performance.now();
    const audio = await fetch(next.audio);
    const first = performance.now();
    const bytes = new Uint8Array(await audio.arrayBuffer());
    const loaded = performance.now();
    const entry = performance.getEntriesByName(new URL(next.audio, location).href).pop();
    const size = (bytes.length - 16) / 3;
    const part = [0, 1, 2].map((k) => bytes.subarray(16 + k * size, 16 + (k + 1) * size));
    const [a, b, x] = await Promise.all(part.map(digest));
    const name = letters(next.audio.split("/").pop());
    const key = letters(next.trial);
    const headers = [...response.headers, ...audio.headers].filter(([h]) => h !== "date");
    seen.push({
      key: next.trial,
      numbers: {
        nextBytes: text.length, audioBytes: bytes.length, nextMs: told - asked, firstMs: first - told,
        loadMs: loaded - first, transfer: entry.transferSize, entryMs: entry.duration,
        headerCount: headers.length, headerLetters: letters(headers.flat().join()).reduce((s, c) => s + c, 0),
        nameLength: name.length, nameFirst: name[0], nameMiddle: name[20], nameLast: name.at(-1),
        nameSum: name.reduce((s, c) => s + c, 0), keyFirst: key[0], keyLast: key.at(-1),
        keySum: key.reduce((s, c) => s + c, 0), number: next.number,
        versionOrder: letters(next.versions.join()).reduce((s, c, i) => s + i * c, 0),
        answerOrder: letters(next.answers.map((o) => o.value).join()).reduce((s, c, i) => s + i * c, 0),
        digestA: a, digestB: b, digestX: x, sameDigest: (a === x) - (b === x),
        repeatsX: repeats(part[0], part[2]) - repeats(part[1], part[2]),
        firstByteX: part[2][0], lowBitsX: part[2].reduce((s, c, i) => s + (i % 2 ? 0 : c & 1), 0),
        stored: Object.keys(localStorage).length + Object.keys(sessionStorage).length,
        cookies: document.cookie.length, cached: (await caches.keys()).length,
        nodes: document.querySelectorAll("*").length,
      },
    });
    const reply = await fetch(`${base}/answer`, { method: "POST", body: JSON.stringify({
      trial: next.trial, answer: "a", response_s: 3, switches: 2, listened_s: { a: 1, b: 1, x: 1 } }) });
    const after = await reply.text();
    seen.at(-1).numbers.replyBytes = after.length;
    seen.at(-1).numbers.feedback = JSON.parse(after).feedback === null ? 0 : 1;
  }
  return seen;
  };
  performance.setResourceTimingBufferSize(5000);
  return Promise.all(tokens.map(spyOn));
}
