// Prints, as JSON, the errors and warnings that the Khronos glTF validator finds in each file.
const fs = require("fs");
const validator = require("gltf-validator");

(async () => {
  const out = [];
  for (const file of process.argv.slice(2)) {
    const report = await validator.validateBytes(new Uint8Array(fs.readFileSync(file)));
    out.push(
      report.issues.messages.filter((m) => m.severity < 2).map((m) => `${m.code} ${m.pointer}`),
    );
  }
  console.log(JSON.stringify(out));
})();
