// The arrays of the page: how they are unpacked.

const KINDS = { i1: Int8Array, u1: Uint8Array, i2: Int16Array, u2: Uint16Array, i4: Int32Array, u4: Uint32Array, f4: Float32Array };

/** Undo the packing of web_scene.py: columns one after the other, differences along each. */
function unpack(buffer, entries) {
  const out = {};
  for (const e of entries) {
    const flat = new KINDS[e.type](buffer, e.offset, e.rows * e.columns);
    const rows = new KINDS[e.type](flat.length);
    for (let c = 0; c < e.columns; c++) {
      let sum = 0;
      for (let r = 0; r < e.rows; r++) {
        const value = flat[c * e.rows + r];
        // Differences wrap round like the typed array's own numbers do.
        rows[r * e.columns + c] = sum = e.differences ? sum + value : value;
        sum = rows[r * e.columns + c];
      }
    }
    out[e.name] = rows;
  }
  return out;
}

async function load(id = "scene-data", entries = page.scene) {
  const text = atob($(id).textContent.trim());
  const bytes = Uint8Array.from(text, (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return unpack(await new Response(stream).arrayBuffer(), entries);
}
