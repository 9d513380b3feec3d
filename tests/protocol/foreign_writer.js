// A client that changes things, written from protocol/REFERENCE.md alone: it reads the settings, changes one of them,
// works out the digest from the canonical text, and commits in place of the generation that it read.
//
//     node foreign_writer.js HOST PORT KEY VALUE [GENERATION]
//
// prints what came of it as JSON: `gen` and `digest`, or `refused` with the number of the error. The order and the
// defaults of the settings are read from the reference page itself, as a person copies them from there.
'use strict';
const fs = require('node:fs');
const net = require('node:net');
const path = require('node:path');
const zlib = require('node:zlib');

const PAGE = fs.readFileSync(path.join(__dirname, '..', '..', 'protocol', 'REFERENCE.md'), 'utf8');

// The table under "Settings": key, min, max, default, meaning; "(optional)" ends the meaning of an optional field.
const SETTINGS = PAGE.split('\n## Settings\n')[1].split('\n## ')[0].split('\n')
  .map((line) => line.match(/^\| `(\w+)` \| (-?\d+) \| (-?\d+) \| (-?\d+) \| (.*) \|$/))
  .filter((cells) => cells)
  .map(([, key, , , byDefault, meaning]) => ({ key, byDefault: Number(byDefault), optional: meaning.includes('(optional)') }));

const crc16 = (bytes) => bytes.reduce((crc, byte) => {
  crc ^= byte << 8;
  for (let bit = 0; bit < 8; bit++) crc = crc & 0x8000 ? ((crc << 1) ^ 0x1021) & 0xffff : (crc << 1) & 0xffff;
  return crc;
}, 0xffff);

const sealed = (text) => {
  const crc = crc16([...Buffer.from(text, 'ascii')]);
  return `${text} #${[12, 8, 4, 0].map((shift) => String.fromCharCode(0x40 + ((crc >> shift) & 15))).join('')}`;
};

// Unsigned CRC-32 as zlib has it, bit by bit where this Node has no zlib.crc32.
const crc32 = (text) => {
  if (zlib.crc32) return zlib.crc32(text);
  let crc = 0xffffffff;
  for (const byte of Buffer.from(text, 'ascii')) {
    crc ^= byte;
    for (let bit = 0; bit < 8; bit++) crc = (crc >>> 1) ^ (crc & 1 ? 0xedb88320 : 0);
  }
  return (crc ^ 0xffffffff) >>> 0;
};

// Kind and a line feed, then key=value and a line feed in the table's order; optional ones only off their default.
const told = (values) => SETTINGS.filter(({ key, byDefault, optional }) => !optional || values[key] !== byDefault);
const canonical = (values) => `settings\n${told(values).map(({ key }) => `${key}=${values[key]}\n`).join('')}`;
const digestOf = (values) => crc32(canonical(values)).toString(16).toUpperCase().padStart(8, '0');

class Refused extends Error {
  constructor(number, sentence) { super(sentence); this.number = number; }
}

function link(host, port) {
  const socket = net.createConnection({ host, port });
  const prefix = Math.random().toString(36).replace(/[^a-z]/g, '').slice(0, 3) || 'jsw';
  let text = '', number = 0, asked = null;
  socket.on('data', (data) => {
    text += data.toString('ascii');
    const lines = text.split('\n');
    text = lines.pop();
    for (const line of lines.map((each) => each.replace(/\r$/, '')).filter(Boolean)) {
      const body = line.slice(0, line.lastIndexOf(' #'));
      if (sealed(body) !== line || !asked) continue;
      const [tag, kind, ...rest] = body.split(' ');
      if (tag !== asked.tag) continue;
      const fields = Object.fromEntries(rest.filter((word) => word.includes('=')).map((word) => word.split('=', 2)));
      if (kind === 'row') { asked.rows.push(fields); continue; }
      const { done, fail, rows, timer } = asked;
      clearTimeout(timer);
      asked = null;
      if (kind === 'ok') done({ ...fields, rows });
      else fail(new Refused(Number(rest[0]), rest.slice(1).join(' ')));
    }
  });
  const ask = (words) => new Promise((done, fail) => {
    const tag = `${prefix}${number++}`;
    const timer = setTimeout(() => fail(new Error(`no answer to ${words}`)), 60000);
    asked = { tag, rows: [], done, fail, timer };
    socket.write(`${sealed(`${tag} ${words}`)}\n`);
  });
  return { ask, close: () => socket.destroy() };
}

(async () => {
  const [host, port, key, value, generation] = process.argv.slice(2);
  const { ask, close } = link(host, Number(port));
  const hello = await ask('hello');
  const before = await ask('show kind=settings');
  // What an answer leaves out has its default.
  const values = Object.fromEntries(SETTINGS.map((each) => [each.key, each.byDefault]));
  for (const row of before.rows) for (const [name, number] of Object.entries(row)) values[name] = Number(number);
  if (digestOf(values) !== before.digest) throw new Error(`digest ${digestOf(values)}, and the device says ${before.digest}`);
  values[key] = Number(value);
  let result;
  try {
    await ask('stage kind=settings');
    // Lines stay within what the device takes, with room for tag and checksum.
    let line = 'put';
    for (const each of told(values)) {
      const pair = ` ${each.key}=${values[each.key]}`;
      if (line.length + pair.length > Number(hello.line_max) - 20) { await ask(line); line = 'put'; }
      line += pair;
    }
    await ask(line);
    const staged = await ask('check');
    if (staged.digest !== digestOf(values)) throw new Error(`staged ${staged.digest}, not ${digestOf(values)}`);
    const done = await ask(`commit digest=${staged.digest} replaces=${generation ?? before.gen}`);
    result = { gen: Number(done.gen), digest: done.digest };
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    result = { refused: error.number };
  }
  console.log(JSON.stringify(result));
  close();
})().catch((error) => { console.error(error.message); process.exit(1); });
