// Reference tangents from the npm package `mikktspace`.
// usage: node mikktspace.cjs IN OUT
// IN: float32 little endian, 3 positions, 3 normals and 2 UVs per corner, as three whole arrays;
// OUT: float32, 4 per corner.
const fs = require("fs");
const { generateTangents } = require("mikktspace");

const [input, output] = process.argv.slice(2);
const bytes = fs.readFileSync(input);
const all = new Float32Array(bytes.buffer, bytes.byteOffset, bytes.length / 4);
const corners = all.length / 8;
const tangents = generateTangents(
  all.slice(0, 3 * corners),
  all.slice(3 * corners, 6 * corners),
  all.slice(6 * corners)
);
fs.writeFileSync(output, Buffer.from(tangents.buffer, tangents.byteOffset, tangents.byteLength));
