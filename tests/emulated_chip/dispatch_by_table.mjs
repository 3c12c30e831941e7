// node dispatch_by_table.mjs FOLDER: lets the emulator find the code of an instruction by a table in place of up to a
// hundred comparisons, about twice as fast. The comparisons and the code behind each are its own, moved but not changed.
import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";

const file = join(process.argv[2], "node_modules/rp2040js/dist/esm/cortex-m0-core.js");
const source = readFileSync(file, "utf8");
const lines = source.split("\n");
const first = lines.findIndex((line, i) => /^    executeInstruction\(\)/.test(line) && i);
const begin = lines.findIndex((line, i) => i > first && /^        if \(opcode/.test(line));
const branches = [];
let at = begin;
while (/^        (else )?(if \(.*\) )?\{$/.test(lines[at]) || /^        \/\//.test(lines[at])) {
    if (/^        \/\//.test(lines[at])) { at++; continue; }
    const condition = /if \((.*)\) \{$/.exec(lines[at])?.[1] ?? "true";
    const end = lines.findIndex((line, i) => i > at && line === "        }");
    branches.push({ condition, body: lines.slice(at + 1, end) });
    at = end + 1;
    if (condition === "true") break;
}
if (branches.length < 60 || branches.at(-1).condition !== "true") throw new Error(`${branches.length} branches found`);
const tests = branches.map((branch) => new Function("opcode", "opcode2", "wideInstruction", `return ${branch.condition}`));
// What depends on the second half of a wide instruction is still compared: those go through the chain as it was.
const table = Array.from({ length: 65536 }, (_, opcode) => {
    const wide = opcode >> 12 === 0b1111 || opcode >> 11 === 0b11101;
    return wide ? 255 : tests.findIndex((test) => test(opcode, 0, false));
});
const runs = [];
for (const number of table)
    if (runs.at(-1)?.[0] === number) runs.at(-1)[1]++;
    else runs.push([number, 1]);
const chain = lines.slice(begin, at);
const made = [
    "        switch (BRANCH_OF[opcode]) {",
    ...branches.flatMap(({ body }, i) => [`        case ${i}: {`, ...body, "            break;", "        }"]),
    "        default:",
    ...chain,
    "        }",
];
const head = [
    "const BRANCH_OF = new Uint8Array(65536);",
    `{ let at = 0; for (const [branch, count] of ${JSON.stringify(runs)}) { BRANCH_OF.fill(branch, at, at + count); at += count; } }`,
];
const last = lines.findIndex((line) => line.startsWith("export class CortexM0Core"));
writeFileSync(file, [...lines.slice(0, last), ...head, ...lines.slice(last, begin), ...made, ...lines.slice(at)].join("\n"));
