// Runs port_scenarios.py on MicroPython: node run_port_on_micropython.mjs MICROPYTHON_FOLDER REPOSITORY
// Only the files that a board would carry are put into its file system, and the fake chip.
import { readFileSync, existsSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [folder, repository] = process.argv.slice(2);
const inside = join(folder, "node_modules", "@micropython", "micropython-webassembly-pyscript");
const home = existsSync(inside) ? inside : folder;
const { loadMicroPython } = await import(pathToFileURL(join(home, "micropython.mjs")).href);
const micropython = await loadMicroPython({ heapsize: 16 * 1024 * 1024, stdout: (line) => console.log(line), linebuffer: true });

const put = (path) => micropython.FS.writeFile("/" + path, readFileSync(join(repository, path)));
for (const made of ["firmware_protocol", "firmware_protocol/rp2040", "tests", "tests/firmware_protocol"]) micropython.FS.mkdir("/" + made);
for (const name of ["__init__", "fields", "frame", "tuples", "messages", "knowledge", "repeats", "running_capture", "board"]) put(`firmware_protocol/${name}.py`);
for (const name of ["__init__", "firmware_files", "registers", "pins", "boot", "monotonic", "usb", "port", "main"]) put(`firmware_protocol/rp2040/${name}.py`);
for (const name of ["fake_chip", "port_scenarios"]) put(`tests/firmware_protocol/${name}.py`);

try {
    micropython.runPython(`
import json, sys
sys.path.insert(0, "/")
from tests.firmware_protocol import port_scenarios
done = []
for scenario in port_scenarios.SCENARIOS:
    scenario()
    done.append(scenario.__name__)
print(json.dumps(done))
`);
} catch (error) {
    console.error(String(error));
    process.exit(1);
}
