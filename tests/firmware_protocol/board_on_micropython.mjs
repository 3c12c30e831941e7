// A whole board on MicroPython: node board_on_micropython.mjs MICROPYTHON_FOLDER REPOSITORY
// The board's own files run in the interpreter; its pins are at the other end of standard input and output, one line a
// message. In:  "receive US INPUTS HEX" or "tick US INPUTS"; while one of these is worked on, answers to our questions.
// Out: questions "w MASK", "c INDEX", "start MASK US SAMPLES", "recorded", "block FIRST COUNT", "stop", and at the end
// "done OUTPUTS CAUSE DUE HEX". Bytes are passed as hex.
import { readFileSync, existsSync, readSync, writeSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [folder, repository] = process.argv.slice(2);
const inside = join(folder, "node_modules", "@micropython", "micropython-webassembly-pyscript");
const home = existsSync(inside) ? inside : folder;
const { loadMicroPython } = await import(pathToFileURL(join(home, "micropython.mjs")).href);
const micropython = await loadMicroPython({ heapsize: 16 * 1024 * 1024, stdout: (line) => console.error(line), linebuffer: true });

const chunk = Buffer.alloc(65536);
let held = "";
function readLine() {
    for (;;) {
        const end = held.indexOf("\n");
        if (end >= 0) {
            const line = held.slice(0, end);
            held = held.slice(end + 1);
            return line;
        }
        const count = readSync(0, chunk, 0, chunk.length, null);
        if (count === 0) process.exit(0); // the other end has gone
        held += chunk.toString("latin1", 0, count);
    }
}
function say(line) {
    const data = Buffer.from(line + "\n", "latin1");
    for (let sent = 0; sent < data.length; ) sent += writeSync(1, data, sent);
}
function ask(line) {
    say(line);
    return readLine();
}

micropython.FS.mkdir("/firmware_protocol");
for (const name of ["__init__", "fields", "frame", "tuples", "messages", "knowledge", "repeats", "running_capture", "board"])
    micropython.FS.writeFile(`/firmware_protocol/${name}.py`, readFileSync(join(repository, `firmware_protocol/${name}.py`)));
micropython.FS.writeFile("/far_port.py", readFileSync(join(repository, "tests/firmware_protocol/far_port.py")));
micropython.registerJsModule("wire", { say, ask });
micropython.runPython(`
import sys
sys.path.insert(0, "/")
import far_port
`);
const far = micropython.pyimport("far_port");
say(far.begin(readLine()));
for (;;) {
    try {
        say(far.obey(readLine()));
    } catch (error) {
        console.error(String(error));
        process.exit(1);
    }
}
