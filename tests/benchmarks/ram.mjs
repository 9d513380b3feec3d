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
mp.runPython(`
import gc, sys
sys.path.append("/fw")
def used():
    gc.collect()
    gc.collect()
    return gc.mem_alloc()
def measure():
    a = used()
    from steadyram_fw import tables
    b = used()
    from steadyram_fw.core.controller import Controller
    c = used()
    core = Controller()
    d = used()
    import steadyram_fw.app
    e = used()
    print("tables", b - a)
    print("core code", c - b)
    print("core objects", d - c)
    print("services code", e - d)
measure()
`);
process.exit(0);
