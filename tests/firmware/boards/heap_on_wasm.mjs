// node heap_on_wasm.mjs MICROPYTHON.mjs FOLDER_OF_COMPILED_FIRMWARE
// Heap of the whole application at rest on the 32-bit WebAssembly build of MicroPython, whose objects have the
// size of a board's. That build collects only between calls, so every figure is taken by a call of its own.
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
    else if (name.endsWith(".mpy")) mp.FS.writeFile(`${to}/${name}`, readFileSync(source));
  }
}
copy(firmware, "/fw");
mp.FS.mkdir("/files");
mp.FS.writeFile("/main.py", readFileSync(join(import.meta.dirname, "../../../firmware/main.py")));
mp.runPython('import gc, sys\nsys.path.append("/fw")');
function used(name, code) {
  mp.runPython(code);
  for (let i = 0; i < 3; i++) mp.runPython("gc.collect()");
  mp.runPython(`print("${name}", gc.mem_alloc())`);
}
used("interpreter", "");
used("loader", "import main");
used("tables", "import steadyram_fw.tables");
used("core", "import steadyram_fw.core.controller");
used("services_and_panel", "import steadyram_fw.app");
used("board", "import steadyram_fw.boards.pico, steadyram_fw.boards.screen");
used("application", readFileSync(join(import.meta.dirname, "application_at_rest.py"), "utf8"));
mp.runPython("import micropython\nmicropython.qstr_info()");
process.exit(0);
