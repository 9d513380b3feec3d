// Plays tapes on MicroPython's WebAssembly build, whose words have 32 bits and whose small integers have 31.
// node replay_on_wasm.mjs MICROPYTHON.mjs FIRMWARE_FOLDER REPLAY.py TAPE...
import { readdirSync, readFileSync, statSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [runtime, firmware, replay, ...tapes] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(runtime).href);
const mp = await loadMicroPython({
  heapsize: 4 * 1024 * 1024,
  linebuffer: true,
  stdout: (line) => console.log(line),
  stderr: (line) => console.error(line),
});

function copy(from, to) {
  mp.FS.mkdir(to);
  for (const name of readdirSync(from)) {
    const source = join(from, name);
    if (statSync(source).isDirectory()) {
      if (name !== "__pycache__") copy(source, `${to}/${name}`);
    } else if (name.endsWith(".py")) {
      mp.FS.writeFile(`${to}/${name}`, readFileSync(source));
    }
  }
}

copy(firmware, "/fw");
mp.FS.writeFile("/fw/tape_replay.py", readFileSync(replay));
tapes.forEach((tape, n) => mp.FS.writeFile(`/tape${n}`, readFileSync(tape)));
const paths = tapes.map((_, n) => `"/tape${n}"`).join(", ");
try {
  // A heap that can hold 31-bit integers only in big-int objects is what this proof is about: say so if it is not.
  mp.runPython(`
import sys
sys.path.append("/fw")
import tape_replay
print("runtime", "%d.%d.%d" % sys.implementation[1][:3], sys.maxsize)
tape_replay.main([${paths}])
`);
  process.exit(0);
} catch (error) {
  console.error(String(error.message ?? error));
  process.exit(1);
}
