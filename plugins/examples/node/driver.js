#!/usr/bin/env node
// A driver without the SDK, for a scale that sends one number a line over TCP. The
// hub starts it; proto/evenbench/v1/driver.proto is what it keeps to. Before its first
// start: npm install --no-package-lock.
'use strict';

const crypto = require('node:crypto');
const net = require('node:net');
const path = require('node:path');

// A hub that was killed leaves pipes without a reader: writing to them must not end
// the driver.
for (const stream of [process.stdout, process.stderr]) stream.on('error', () => {});

if (process.env.EVENBENCH_DRIVER !== '1f6b0c54-drivers-are-started-by-the-hub') {
  console.error('driver.js is started by the hub: name it as executable in the lab file');
  process.exit(1);
}

const grpc = require('@grpc/grpc-js');
const loader = require('@grpc/proto-loader');

// The contract lies beside a driver, or where the hub's source is.
const proto = ['proto', '../../../proto'].map((folder) => path.join(__dirname, folder));
const contract = grpc.loadPackageDefinition(
  loader.loadSync('evenbench/v1/driver.proto', { includeDirs: proto, longs: Number, enums: String, oneofs: true }),
).evenbench.v1;

const MOST_IN_A_BATCH = 1000; // a reading takes some 30 bytes, a message at most 1 MiB
const MOST_HELD = 60000;
const CLOSING_MS = 3000; // for the hub to take what is held; Close has five seconds
const flag = process.argv.indexOf('--hold');
const HOLD_S = flag > 0 ? Number(process.argv[flag + 1]) : 600;

const refusal = (code, message) => Object.assign(new Error(message), { code });
const timestamp = (ms) => ({ seconds: Math.floor(ms / 1000), nanos: Math.round((((ms % 1000) + 1000) % 1000) * 1e6) });
const milliseconds = (t) => t.seconds * 1000 + (t.nanos || 0) / 1e6;
const sleep = (ms) => new Promise((done) => setTimeout(done, ms));

// clock returns a function that tells the time of the day, in milliseconds, and the
// microseconds since the run was opened: on the clock that Open gave, or the machine's.
function clock(lab) {
  const began = performance.now();
  const opened = Date.now();
  return () => {
    const passed = performance.now() - began;
    if (!lab || !(lab.rate > 0)) return { day: Date.now(), elapsed: Math.floor(passed * 1000) };
    return {
      day: milliseconds(lab.lab) + (opened + passed - milliseconds(lab.real)) * lab.rate,
      elapsed: Math.floor(passed * lab.rate * 1000),
    };
  };
}

// Run is one life of the connection to the scale, and the readings that the hub has
// not got.
class Run {
  constructor(host, port, lab) {
    this.name = crypto.randomBytes(16).toString('hex');
    this.now = clock(lab);
    this.opened = this.now().day;
    this.held = []; // readings; those before head are gone
    this.head = 0;
    this.oldest = 1; // number of held[head]
    this.lostAt = this.opened;
    this.status = { state: 'DEVICE_STATE_CONNECTING', unreadable: 0 };
    this.session = null;
    this.closing = false;
    this.connect(host, port);
  }

  size() { return this.held.length - this.head; }
  last() { return this.oldest + this.size() - 1; }

  // drop lets go of the n oldest. An array is slow to be shifted one by one.
  drop(n) {
    this.head += n;
    this.oldest += n;
    if (this.head < MOST_HELD) return;
    this.held = this.held.slice(this.head);
    this.head = 0;
  }

  say(state, detail) {
    this.status = { ...this.status, state, detail };
    this.session?.pump();
  }

  // connect reads lines for as long as the link holds, and connects again.
  connect(host, port) {
    let rest = '';
    this.link = net.connect({ host, port });
    this.link.on('connect', () => this.say('DEVICE_STATE_CONNECTED', ''));
    this.link.on('data', (bytes) => {
      const lines = (rest + bytes.toString('latin1')).split('\n');
      rest = lines.pop().slice(-4096);
      for (const line of lines) this.read(line.trim());
      this.session?.pump();
    });
    this.link.on('error', (error) => { this.trouble = error.message; });
    this.link.on('close', () => {
      if (this.stopped) return;
      this.say('DEVICE_STATE_LOST', `${host}:${port}: ${this.trouble || 'hung up'}`);
      this.again = setTimeout(() => this.connect(host, port), 250);
    });
  }

  stop() {
    this.stopped = true;
    clearTimeout(this.again);
    this.link.destroy();
  }

  read(line) {
    const value = Number(line);
    if (line === '' || !Number.isFinite(value)) {
      const sample = JSON.stringify(line).slice(1, -1).replace(/[^ -~]/g, '?').slice(0, 200);
      this.status = { ...this.status, unreadable: this.status.unreadable + 1, unreadableSample: sample };
      return;
    }
    this.held.push({ ...this.now(), value, line });
    if (this.size() > MOST_HELD) {
      this.lostAt = this.held[this.head].day;
      this.drop(1);
    }
  }

  acknowledge(number) {
    this.drop(Math.min(Math.max(number + 1 - this.oldest, 0), this.size()));
  }

  // after returns the message that follows a reading, and its last number.
  after(number) {
    if (number + 1 < this.oldest) {
      const dropped = {
        firstNumber: number + 1, count: this.oldest - number - 1, detail: 'more than may be held',
        from: timestamp(this.opened), to: timestamp(this.lostAt),
      };
      return { message: { dropped }, last: this.oldest - 1 };
    }
    const skip = this.head + number + 1 - this.oldest;
    const rows = this.held.slice(skip, skip + MOST_IN_A_BATCH);
    if (rows.length === 0) return null;
    const readings = {
      run: this.name, firstNumber: number + 1, count: rows.length,
      start: timestamp(rows[0].day), startElapsedUs: rows[0].elapsed,
      series: [{
        channel: 'mass', deviceUnit: 'g', row: rows.map((_, i) => i),
        afterUs: rows.map((r) => r.elapsed - rows[0].elapsed),
        deviceValue: rows.map((r) => r.value), deviceText: rows.map((r) => r.line),
      }],
    };
    return { message: { readings }, last: number + rows.length };
  }
}

let run = null;
let aloneSince = performance.now();

// Session is one stream to the hub.
class Session {
  constructor(stream, mine, after) {
    this.stream = stream;
    this.run = mine;
    this.sent = after;
    mine.session?.end(refusal(grpc.status.ABORTED, 'another session took over'));
    mine.session = this;
    mine.acknowledge(after);
    stream.on('drain', () => { this.full = false; this.pump(); });
  }

  // pump sends what there is, for as long as the stream takes it.
  pump() {
    while (!this.full && this.run.session === this) {
      if (this.told !== this.run.status) {
        this.told = this.run.status;
        this.full = !this.stream.write({ status: this.told });
        continue;
      }
      const next = this.run.after(this.sent);
      if (!next) {
        if (this.run.closing) this.end();
        return;
      }
      this.sent = next.last;
      this.full = !this.stream.write(next.message);
    }
  }

  // end ends the stream: in order, or with an error.
  end(error) {
    if (this.run.session === this) {
      this.run.session = null;
      aloneSince = performance.now();
    }
    if (error) this.stream.emit('error', error);
    else this.stream.end();
  }
}

function session(stream) {
  let mine = null;
  stream.on('data', (request) => {
    if (mine) {
      mine.run.acknowledge(request.ack?.number || 0);
      return;
    }
    const wanted = request.resume?.run || '';
    if (!run) stream.emit('error', refusal(grpc.status.FAILED_PRECONDITION, 'no run is open'));
    else if (wanted !== run.name) stream.emit('error', refusal(grpc.status.NOT_FOUND, `run ${wanted} is not open; ${run.name} is`));
    else {
      mine = new Session(stream, run, request.resume.after || 0);
      mine.pump();
    }
  });
  for (const end of ['end', 'cancelled', 'error']) {
    stream.on(end, () => { if (mine && mine.run.session === mine) mine.end(); });
  }
}

// close ends the run: the device first, then what the hub has not got.
async function close() {
  const mine = run;
  if (!mine) return 0;
  mine.stop();
  mine.closing = true;
  mine.session?.pump();
  for (const from = performance.now(); mine.session && performance.now() - from < CLOSING_MS;) await sleep(5);
  if (run === mine) run = null;
  return mine.last();
}

const driver = {
  Identify: (_, answer) => answer(null, {
    driver: 'plain-scale', version: '1', contract: 1, nonce: process.env.EVENBENCH_NONCE,
    hold: { readings: MOST_HELD, time: { seconds: HOLD_S } },
  }),
  Open: ({ request }, answer) => {
    const tcp = request.link?.fields?.tcp?.stringValue || '';
    const [, host, port] = tcp.match(/^(.+):(\d+)$/) || [];
    if (run) answer(refusal(grpc.status.FAILED_PRECONDITION, `run ${run.name} is open; close it first`));
    else if (!host) answer(refusal(grpc.status.INVALID_ARGUMENT, `link.tcp is ${JSON.stringify(tcp)}; write "host:port"`));
    else {
      run = new Run(host, Number(port), request.clock);
      answer(null, { run: run.name, openedAt: timestamp(run.opened), channels: [{ name: 'mass' }] });
    }
  },
  Session: session,
  Act: (_, answer) => answer(refusal(grpc.status.UNIMPLEMENTED, 'this scale only measures')),
  Close: (_, answer) => close().then((last) => answer(null, { lastNumber: last })),
};

// Health of the service "plugin": SERVING, whoever asks.
const raw = (bytes) => bytes;
const health = {
  Check: {
    path: '/grpc.health.v1.Health/Check', requestStream: false, responseStream: false,
    requestSerialize: raw, requestDeserialize: raw, responseSerialize: raw, responseDeserialize: raw,
  },
};

const server = new grpc.Server({ 'grpc.max_receive_message_length': 1 << 20 });
server.addService(contract.DriverService.service, driver);
server.addService(health, { Check: (_, answer) => answer(null, Buffer.from([0x08, 0x01])) });

async function end() {
  await close();
  server.forceShutdown();
  process.exit(0);
}

const socket = path.join(process.env.PLUGIN_UNIX_SOCKET_DIR || process.cwd(), 'driver.sock');
server.bindAsync(`unix:${socket}`, grpc.ServerCredentials.createInsecure(), (error) => {
  if (error) {
    console.error(`listen on ${socket}: ${error.message}`);
    process.exit(1);
  }
  process.on('SIGTERM', end);
  setInterval(() => {
    if (!run?.session && performance.now() - aloneSince > HOLD_S * 1000) end();
  }, 100);
  process.stdout.write(`1|1|unix|${socket}|grpc\n`);
});
