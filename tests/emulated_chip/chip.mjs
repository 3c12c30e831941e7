// The chip of the board, emulated: node chip.mjs FOLDER (what fetch.sh made) FLASH_FILE, spoken to on standard input and
// output, one line a message, all times in nanoseconds of the chip. It moves only while it is told to run.
//
// In:   run UNTIL          go on until that instant, or until something was said over USB
//       stall UNTIL        no instruction is carried out, as if the program hung, until then or until a reset
//       hear HEX           bytes from the host, over USB
//       deaf 0|1           1: the host takes no bytes from USB
//       input PIN 0|1      level at an input pin
//       adc ask | A B C D  ask for each conversion, or these 12-bit words for channels 0 to 3
//       adc count          the n-th conversion of a channel is the word n modulo 4096
//       conversions        -> JSON, [instant, channel] of each conversion since the last time
//       power              off and on again;  flash -> hex of the flash;  peek ADDRESS -> word
// Out:  adc CHANNEL AT     a question: a 12-bit word is awaited
//       pins MASK AT       the outputs GP2 to GP7 that are driven high, bit 0 for GP2
//       usb HEX AT         the board has said that;   reset timer|forced AT   the watchdog has reset the chip
//       done AT            the end of every command but "hear", "deaf", "input" and "adc"
//
// Not emulated by the package, and added here: programming of the flash (the boot ROM's two functions are done by hand),
// the flash's own number, the reset by the watchdog. Mended from outside: see mend() below.
import { readFileSync, readSync, writeSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [folder, flashFile] = process.argv.slice(2);
const { RP2040, USBCDC, Simulator } = await import(
    pathToFileURL(join(folder, "node_modules/rp2040js/dist/esm/index.js")).href
);
const bootrom = new Uint32Array(JSON.parse(readFileSync(join(folder, "bootrom.json"))));
const FLASH = 0x10000000, RAM = 0x20000000;
const FIRST_OUTPUT = 2, OUTPUTS = 6;
const ERASE = 0x237c, PROGRAM = 0x23c4; // flash_range_erase, flash_range_program in the boot ROM B1
const UNIQUE = [0xe6, 0x61, 0x41, 0x03, 0xe7, 0x45, 0x2d, 0x2a];

const clock = new Simulator().clock;
const flash = readFileSync(flashFile);
const inputs = new Map();
const toBoard = [];
let mcu, cdc, adc, words = [0, 0, 0, 0], mode = "fixed", counts = [0, 0, 0, 0], conversions = [];
let spoke = false, resetBy = "", outputs = 0, deaf = false;

// ---- messages

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
const now = () => Math.round(clock.nanos);

// ---- the chip

function begin(reason, kept) {
    clock.nextAlarm = null; // what the chip before was about to do
    mcu = new RP2040(clock);
    const silent = () => {};
    mcu.logger = { debug: silent, info: silent, warn: silent, error: (_, text) => console.error(text) };
    mcu.loadBootrom(bootrom);
    flash.copy(mcu.flash);
    mend();
    byHand();
    wireUsb();
    wireConverter();
    const watchdog = mcu.peripherals[0x40058];
    watchdog.reason = reason;
    if (kept) watchdog.scratchData.set(kept);
    watchdog.onWatchdogTrigger = () => {
        resetBy = watchdog.reason === 1 ? "timer" : "forced";
        watchdog.timer.enable = false; // or its alarm would come again at the same instant, for ever
    };
    for (const [pin, high] of inputs) mcu.gpio[pin].setInputValue(high);
    for (let i = 0; i < OUTPUTS; i++) mcu.gpio[FIRST_OUTPUT + i].addListener(noteOutputs);
    noteOutputs();
    mcu.core.PC = FLASH;
}

function noteOutputs() {
    let mask = 0;
    for (let i = 0; i < OUTPUTS; i++) {
        const pin = mcu.gpio[FIRST_OUTPUT + i];
        const high = pin.outputEnable && pin.outputValue;
        if (high) mask |= 1 << i;
        if (pin.rawInputValue !== high) pin.setInputValue(high); // the package does not let a pin read what it drives
    }
    if (mask !== outputs) say(`pins ${(outputs = mask)} ${now()}`);
}

function mend() {
    // The wrap of a PWM slice is one request to the DMA, not one that stands for ever.
    mcu.pwm.channelInterrupt = function (index) {
        this.intRaw |= 1 << index;
        this.checkInterrupts();
        for (const channel of mcu.dma.channels)
            if (channel.treqValue === 24 + index && channel.active) channel.transferAlarm.schedule(0);
    };
    // Writing a slice's divider does not start the slice.
    for (const slice of mcu.pwm.channels) {
        const write = slice.writeRegister.bind(slice);
        slice.writeRegister = (offset, value) => {
            write(offset, value);
            if (offset === 4) slice.updateEnable();
        };
    }
}

function byHand() {
    const rom = new Uint16Array(mcu.bootrom.buffer);
    for (const [address, code] of [[ERASE, 0xbe01], [PROGRAM, 0xbe02]]) {
        rom[address / 2] = code; // BKPT
        rom[address / 2 + 1] = 0x4770; // BX LR
    }
    mcu.onBreak = (code) => {
        const [to, a, b] = mcu.core.registers;
        if (code === 1) mcu.flash.fill(0xff, to, to + a);
        else if (code === 2) for (let i = 0; i < b; i++) mcu.flash[to + i] &= mcu.readUint8(a + i);
        else console.error(`the program stopped at a breakpoint ${code}`);
    };
    const ssi = mcu.peripherals[0x18000];
    const [read, write] = [ssi.readUint32.bind(ssi), ssi.writeUint32.bind(ssi)];
    let asked = -1; // bytes since the command 0x4b, which is answered by the flash's number after four more
    ssi.writeUint32 = (offset, value) => {
        write(offset, value);
        if (offset === 0x60) asked = asked < 0 || asked > 12 ? (value === 0x4b ? 0 : -1) : asked + 1;
    };
    ssi.readUint32 = (offset) => (offset === 0x60 && asked > 4 ? UNIQUE[asked - 5] : read(offset));
}

function wireUsb() {
    cdc = new USBCDC(mcu.usbCtrl);
    toBoard.length = 0;
    cdc.onSerialData = (bytes) => {
        say(`usb ${Buffer.from(bytes).toString("hex")} ${now()}`);
        spoke = true;
    };
    mcu.usbCtrl.writeDelayMicroseconds = deaf ? 1e12 : 1;
}

function wireConverter() {
    adc = mcu.adc;
    let word = 0;
    const ready = clock.createAlarm(() => adc.completeADCRead(word, false));
    adc.onADCRead = (channel) => {
        adc.currentChannel = channel;
        if (mode === "ask") {
            say(`adc ${channel} ${now()}`);
            word = Number(readLine());
        } else if (mode === "count") word = counts[channel]++ & 0xfff;
        else word = words[channel] ?? 0;
        if (mode !== "ask") conversions.push([now(), channel]);
        ready.schedule(2000);
    };
}

function reset() {
    const kept = mcu.peripherals[0x40058].scratchData.slice();
    const reason = resetBy === "timer" ? 1 : 2;
    say(`reset ${resetBy} ${now()}`);
    resetBy = "";
    Buffer.from(mcu.flash.buffer).copy(flash, 0, 0, flash.length);
    begin(reason, kept);
}

function run(until) {
    spoke = false;
    while (clock.nanosCounter < until && !spoke) {
        while (toBoard.length && !cdc.txFIFO.full) cdc.sendSerialByte(toBoard.shift());
        const core = mcu.core, cycle = 1e9 / mcu.clkSys;
        for (let i = 0; i < 500 && clock.nanosCounter < until && !resetBy && !spoke; i++) {
            if (core.waiting) {
                const next = clock.nextAlarm ? clock.nextAlarm.nanos : Infinity;
                clock.tick(Math.max(0, Math.min(next, until) - clock.nanosCounter));
                continue;
            }
            const at = clock.nanosCounter + core.executeInstruction() * cycle;
            const alarm = clock.nextAlarm;
            if (alarm !== null && alarm.nanos <= at) clock.tick(at - clock.nanosCounter);
            else clock.nanosCounter = at;
        }
        if (resetBy) reset();
    }
}

function stall(until) {
    while (clock.nanosCounter < until && !resetBy) {
        const to = Math.max(clock.nanosCounter, Math.min(clock.nextAlarm ? clock.nextAlarm.nanos : Infinity, until));
        clock.tick(to - clock.nanosCounter);
        clock.nanosCounter = Math.max(clock.nanosCounter, to); // what rounding has left
    }
    if (resetBy) reset();
}

begin(0, null);
for (;;) {
    const [what, ...rest] = readLine().split(" ");
    if (what === "run") run(Number(rest[0]));
    else if (what === "stall") stall(Number(rest[0]));
    else if (what === "hear") {
        for (const byte of Buffer.from(rest[0], "hex")) toBoard.push(byte);
        continue;
    } else if (what === "deaf") {
        deaf = rest[0] === "1";
        mcu.usbCtrl.writeDelayMicroseconds = deaf ? 1e12 : 1;
        continue;
    } else if (what === "input") {
        inputs.set(Number(rest[0]), rest[1] === "1");
        mcu.gpio[Number(rest[0])].setInputValue(rest[1] === "1");
        continue;
    } else if (what === "adc") {
        mode = rest.length > 1 ? "fixed" : rest[0];
        if (mode === "fixed") words = rest.map(Number);
        counts = [0, 0, 0, 0];
        continue;
    } else if (what === "conversions") {
        say(JSON.stringify(conversions));
        conversions = [];
    } else if (what === "power") {
        Buffer.from(mcu.flash.buffer).copy(flash, 0, 0, flash.length);
        begin(0, null);
    } else if (what === "peek") say(String(mcu.readUint32(Number(rest[0]))));
    else if (what === "flash") say(Buffer.from(mcu.flash.buffer, 0, flash.length).toString("hex"));
    else throw new Error(`not understood: ${what}`);
    say(`done ${now()}`);
}
