// A client of the line protocol in JavaScript, written from protocol/REFERENCE.md alone: lines, checksum, tags, rows,
// the rule by which a log is pulled, contacts as bits. It reads and changes nothing.
//
//     node foreign_client.js HOST PORT MAX
//
// prints one JSON document: what `hello`, `now` and `io` say, and the numbers of all cycle records.
'use strict';
const net = require('node:net');

// Polynomial 0x1021, start 0xFFFF, nothing reflected, no final xor.
function crc16(bytes) {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte << 8;
    for (let bit = 0; bit < 8; bit++) crc = crc & 0x8000 ? ((crc << 1) ^ 0x1021) & 0xffff : (crc << 1) & 0xffff;
  }
  return crc;
}

// Digits of the checksum: 0x40 plus four bits, the highest first.
const seal = (text) => {
  const crc = crc16(Buffer.from(text, 'ascii'));
  return text + ' #' + [12, 8, 4, 0].map((shift) => String.fromCharCode(0x40 + ((crc >> shift) & 15))).join('');
};

function parse(line) {
  const at = line.lastIndexOf(' #');
  if (at < 0 || seal(line.slice(0, at)) !== line) throw new Error(`a damaged line: ${line}`);
  const words = line.slice(0, at).match(/[^\s"]+="[^"]*"|"[^"]*"|\S+/g);
  const fields = {};
  for (const word of words.slice(2)) {
    const cut = word.indexOf('=');
    if (cut > 0) fields[word.slice(0, cut)] = word.slice(cut + 1).replace(/^"|"$/g, '');
  }
  return { tag: words[0], kind: words[1], fields, words };
}

class Client {
  constructor(host, port) {
    this.socket = net.createConnection({ host, port });
    this.text = '';
    this.waiting = null;
    // Tags of two runs must not meet: they begin with something random.
    this.prefix = Math.random().toString(36).replace(/[^a-z]/g, '').slice(0, 4) || 'j';
    this.number = 0;
    this.socket.on('data', (data) => {
      this.text += data.toString('ascii');
      let end;
      while ((end = this.text.search(/[\r\n]/)) >= 0) {
        const line = this.text.slice(0, end);
        this.text = this.text.slice(end + 1);
        if (line) this.take(line);
      }
    });
    this.socket.on('error', (error) => { if (this.waiting) this.waiting.fail(error); });
  }

  take(line) {
    let answer;
    try { answer = parse(line); } catch (error) { return; }
    const asked = this.waiting;
    if (!asked || answer.tag !== asked.tag) return;  // an event, or an answer to somebody else
    if (answer.kind === 'row') { asked.rows.push(answer.fields); return; }
    this.waiting = null;
    clearTimeout(asked.timer);
    if (answer.kind === 'ok') asked.done({ ...answer.fields, rows: asked.rows });
    else asked.fail(new Error(answer.words.slice(2).join(' ')));
  }

  ask(text) {
    const tag = this.prefix + (this.number++ % 1000);
    return new Promise((done, fail) => {
      const timer = setTimeout(() => fail(new Error(`no answer to ${text}`)), 60000);
      this.waiting = { tag, rows: [], done, fail, timer };
      this.socket.write(seal(`${tag} ${text}`) + '\n');
    });
  }

  // Ask from the last number seen plus one, go on from `next` until it is above `last`.
  async records(max, fields) {
    const found = [];
    let from = 0;
    for (;;) {
      const reply = await this.ask(`log from=${from} max=${max} fields=${fields}`);
      for (const row of reply.rows) found.push(row.v.split(',').map(Number));
      if (Number(reply.next) > Number(reply.last)) return found;
      from = Number(reply.next);
    }
  }
}

(async () => {
  const [host, port, max] = process.argv.slice(2);
  const client = new Client(host, Number(port));
  const hello = await client.ask('hello');
  const now = await client.ask('now');
  const io = await client.ask('io');
  const records = await client.records(Number(max), 9);
  const bits = ['extend', 'retract', 'cutoff', 'latch', 'estop_ok', 'top', 'enable', 'ack', 'push'];
  const closed = bits.filter((_, bit) => (Number(io.inputs) >> bit) & 1);
  console.log(JSON.stringify({ hello, now, closed, records }));
  client.socket.destroy();
})().catch((error) => { console.error(error.message); process.exit(1); });
