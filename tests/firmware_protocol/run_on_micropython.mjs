// Runs on_board.py on MicroPython: node run_on_micropython.mjs MICROPYTHON_FOLDER REPOSITORY
// Only the files that a board would carry are put into its file system; typed.py is not one of them.
import { readFileSync, existsSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [folder, repository] = process.argv.slice(2);
const inside = join(folder, "node_modules", "@micropython", "micropython-webassembly-pyscript");
const home = existsSync(inside) ? inside : folder;
const { loadMicroPython } = await import(pathToFileURL(join(home, "micropython.mjs")).href);
const micropython = await loadMicroPython({ heapsize: 16 * 1024 * 1024, stdout: (line) => console.log(line), linebuffer: true });

const put = (path) => micropython.FS.writeFile("/" + path, readFileSync(join(repository, path)));
for (const made of ["/firmware_protocol", "/tests", "/tests/firmware_protocol", "/fixtures"]) micropython.FS.mkdir(made);
for (const name of ["__init__", "fields", "frame", "tuples", "messages", "knowledge", "repeats", "running_capture", "board"]) put(`firmware_protocol/${name}.py`);
for (const name of ["fake_port", "bodies", "on_board"]) put(`tests/firmware_protocol/${name}.py`);
put("fixtures/protocol_vectors.json");

try {
    micropython.runPython(`
import sys
sys.path.insert(0, "/")
from tests.firmware_protocol import on_board
on_board.main("/fixtures/protocol_vectors.json")
`);
} catch (error) {
    console.error(String(error));
    process.exit(1);
}
