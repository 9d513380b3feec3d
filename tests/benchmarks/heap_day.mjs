// node heap_day.mjs MICROPYTHON.mjs FIRMWARE_FOLDER TESTS_FOLDER heap_day.py
// Largest live heap of the day in heap_day.py on the 32-bit WebAssembly build. That build collects only between
// calls from outside, and its heap grows by itself, so live bytes are looked at between slices.
import { readdirSync, readFileSync, statSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [runtime, firmware, tests, day] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(runtime).href);
const mp = await loadMicroPython({ linebuffer: true, stdout: (line) => console.log(line) });
function copy(from, to, ending) {
  mp.FS.mkdir(to);
  for (const name of readdirSync(from)) {
    const source = join(from, name);
    if (statSync(source).isDirectory()) {
      if (ending === ".mpy") copy(source, `${to}/${name}`, ending);
    } else if (name.endsWith(ending)) mp.FS.writeFile(`${to}/${name}`, readFileSync(source));
  }
}
copy(firmware, "/fw", ".mpy");
copy(tests, "/tests", ".py");
mp.FS.mkdir("/files");
mp.FS.writeFile("/tests/heap_day.py", readFileSync(day));
mp.runPython(`
import gc, sys
sys.path.append("/tests")
import heap_day
`);
function used() {
  mp.runPython("used = gc.mem_alloc()");
  return mp.globals.get("used");
}
function live() {
  for (let i = 0; i < 2; i++) mp.runPython("gc.collect()");
  return used();
}
const before = live();
mp.runPython(`
sys.path[:] = ["/fw", "/tests"]
import steadyram_fw.app, steadyram_fw.core.controller
`);
const without = live();
mp.runPython("import bench");
const script = live() - without;
mp.runPython('day = heap_day.day("/fw", "/tests", "/files")\nsaid = None');
let most = 0;
for (let n = 0; ; n++) {
  mp.runPython(`
last = said
try:
    said = next(day)
except StopIteration:
    said = "over"
`);
  if (mp.globals.get("said") === "over") break;
  most = Math.max(most, live() - before);
}
mp.runPython("print(last)");
console.log(`live ${most}\nscript ${script}`);
process.exit(0);
