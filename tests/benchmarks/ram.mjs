// Bytes of heap on a 32-bit build: node ram.mjs MICROPYTHON.mjs FOLDER_OF_COMPILED_FIRMWARE
import { readdirSync, readFileSync, statSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [runtime, firmware] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(runtime).href);
const mp = await loadMicroPython({ linebuffer: true, stdout: (line) => console.log(line) });
function copy(from, to) {
  mp.FS.mkdir(to);
  for (const name of readdirSync(from)) {
    const source = join(from, name);
    if (statSync(source).isDirectory()) copy(source, `${to}/${name}`);
    else mp.FS.writeFile(`${to}/${name}`, readFileSync(source));
  }
}
copy(firmware, "/fw");
mp.runPython('import gc, sys\nsys.path.append("/fw")');
// That build collects only between calls, so every figure is taken by a call of its own.
function used(code) {
  mp.runPython(code);
  for (let i = 0; i < 3; i++) mp.runPython("gc.collect()");
  mp.runPython("used = gc.mem_alloc()");
  return mp.globals.get("used");
}
let before = used("");
for (const [name, code] of [
  ["tables", "from steadyram_fw import tables"],
  ["core code", "from steadyram_fw.core.controller import Controller"],
  ["core objects", "core = Controller()"],
  ["services code", "import steadyram_fw.app"],
]) {
  const now = used(code);
  console.log(`${name} ${now - before}`);
  before = now;
}
process.exit(0);
