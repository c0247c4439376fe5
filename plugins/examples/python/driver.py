#!/usr/bin/python3
"""A driver without the SDK, for a scale that sends one number a line over TCP.

The hub starts it; proto/evenbench/v1/driver.proto is what it keeps to. Needs what
contract.py needs.
"""

import argparse
import asyncio
import collections
import os
import pathlib
import secrets
import signal
import sys
import time

COOKIE = "1f6b0c54-drivers-are-started-by-the-hub"
if os.environ.get("EVENBENCH_DRIVER") != COOKIE:
    sys.exit("driver.py is started by the hub: name it as executable in the lab file")

import grpc  # noqa: E402

# contract.py lies beside a driver, or where the clients are.
sys.path += [str(p / "clients" / "python") for p in pathlib.Path(__file__).resolve().parents]
import contract  # noqa: E402

record, pb = contract.record, contract.module("evenbench.v1.driver_pb2")
services = contract.module("evenbench.v1.driver_pb2_grpc")

MOST_IN_A_BATCH = 1000  # a reading takes some 30 bytes, a message at most 1 MiB
MOST_HELD = 60_000
CLOSING = 3  # seconds for the hub to take what is held; Close has five


class Clock:
    """The clock that Open gave; without one the machine's."""

    def __init__(self, lab):
        self.lab = lab if lab.rate > 0 else None
        self.opened, self.monotonic = time.time(), time.monotonic()

    def now(self):
        """Nanoseconds of the day, and microseconds since the run was opened."""
        elapsed = time.monotonic() - self.monotonic
        if self.lab is None:
            return time.time_ns(), int(elapsed * 1e6)
        since = self.opened + elapsed - self.lab.real.ToNanoseconds() / 1e9
        return self.lab.lab.ToNanoseconds() + int(since * self.lab.rate * 1e9), int(elapsed * self.lab.rate * 1e6)


class Run:
    """One life of the connection to the scale, and the readings the hub has not got."""

    def __init__(self, host, port, clock):
        self.name, self.clock = secrets.token_hex(16), Clock(clock)
        self.opened = self.clock.now()[0]
        self.held = collections.deque()  # (nanoseconds, microseconds, value, text)
        self.oldest = 1  # number of held[0]
        self.lost_at = self.opened
        self.status = pb.Status(state=pb.DEVICE_STATE_CONNECTING)
        self.closing, self.session, self.news = False, None, asyncio.Event()
        self.measuring = asyncio.create_task(self.measure(host, port))

    @property
    def next(self):
        return self.oldest + len(self.held)

    def tell(self):
        """Wake whoever waits for news."""
        self.news.set()
        self.news = asyncio.Event()

    def say(self, state, detail=""):
        self.status.state, self.status.detail = state, detail
        self.tell()

    def acknowledge(self, number):
        while self.held and self.oldest <= number:
            self.held.popleft()
            self.oldest += 1

    async def measure(self, host, port):
        """Read lines for as long as the link holds, and connect again."""
        while True:
            try:
                reader, writer = await asyncio.open_connection(host, port)
            except OSError as e:
                self.say(pb.DEVICE_STATE_LOST, f"connect to {host}:{port}: {e}")
            else:
                try:
                    self.say(pb.DEVICE_STATE_CONNECTED)
                    async for line in reader:
                        self.read(line.strip())
                except (OSError, ValueError) as e:
                    self.say(pb.DEVICE_STATE_LOST, f"read from {host}:{port}: {e}")
                else:
                    self.say(pb.DEVICE_STATE_LOST, f"{host}:{port} hung up")
                finally:
                    writer.close()
            await asyncio.sleep(0.25)

    def read(self, line):
        try:
            value = float(line)
        except ValueError:
            self.status.unreadable += 1
            self.status.unreadable_sample = ascii(line)[2:-1][:200]
        else:
            self.held.append((*self.clock.now(), value, line.decode()))
            if len(self.held) > MOST_HELD:
                self.lost_at = self.held.popleft()[0]
                self.oldest += 1
        self.tell()

    def after(self, number):
        """The message that follows a reading, and its last number; None if there is none."""
        if number + 1 < self.oldest:
            dropped = pb.Dropped(first_number=number + 1, count=self.oldest - number - 1, detail="more than may be held")
            getattr(dropped, "from").FromNanoseconds(self.opened)
            dropped.to.FromNanoseconds(self.lost_at)
            return pb.SessionResponse(dropped=dropped), self.oldest - 1
        skip = number + 1 - self.oldest
        rows = [self.held[i] for i in range(skip, min(len(self.held), skip + MOST_IN_A_BATCH))]
        if not rows:
            return None, number
        start, elapsed = rows[0][:2]
        batch = record.ReadingBatch(run=self.name, first_number=number + 1, count=len(rows), start_elapsed_us=elapsed)
        batch.start.FromNanoseconds(start)
        batch.series.add(
            channel="mass",
            device_unit="g",
            row=range(len(rows)),
            after_us=[r[1] - elapsed for r in rows],
            device_value=[r[2] for r in rows],
            device_text=[r[3] for r in rows],
        )
        return pb.SessionResponse(readings=batch), number + len(rows)


class Driver(services.DriverServiceServicer):
    """The contract."""

    def __init__(self, hold):
        self.run, self.hold, self.alone_since = None, hold, time.monotonic()
        self.ended = asyncio.Event()

    async def Identify(self, request, context):
        who = pb.IdentifyResponse(driver="plain-scale", version="1", contract=1, nonce=os.environ["EVENBENCH_NONCE"])
        who.hold.readings = MOST_HELD
        who.hold.time.FromSeconds(self.hold)
        return who

    async def Open(self, request, context):
        if self.run:
            await context.abort(grpc.StatusCode.FAILED_PRECONDITION, f"run {self.run.name} is open; close it first")
        tcp = request.link.fields["tcp"].string_value
        host, _, port = tcp.rpartition(":")
        if not host or not port.isdigit():
            await context.abort(grpc.StatusCode.INVALID_ARGUMENT, f'link.tcp is {tcp!r}; write "host:port"')
        self.run = Run(host, int(port), request.clock)
        answer = pb.OpenResponse(run=self.run.name, channels=[record.Channel(name="mass")])
        answer.opened_at.FromNanoseconds(self.run.opened)
        return answer

    async def Session(self, requests, context):
        run, resume = self.run, (await anext(requests)).resume
        if run is None:
            await context.abort(grpc.StatusCode.FAILED_PRECONDITION, "no run is open")
        if resume.run != run.name:
            await context.abort(grpc.StatusCode.NOT_FOUND, f"run {resume.run} is not open; {run.name} is")
        sent, told, me = resume.after, None, object()
        run.session = me
        run.acknowledge(sent)
        run.tell()  # the session before sees that it is over

        async def take():
            async for request in requests:
                run.acknowledge(request.ack.number)

        taking = asyncio.create_task(take())
        try:
            while run.session is me:
                news = run.news
                if told != run.status:
                    told = pb.Status()
                    told.CopyFrom(run.status)
                    yield pb.SessionResponse(status=told)
                    continue
                message, sent = run.after(sent)
                if message:
                    yield message
                elif run.closing:
                    return
                else:
                    await news.wait()
            await context.abort(grpc.StatusCode.ABORTED, "another session took over")
        finally:
            taking.cancel()
            if run.session is me:
                run.session, self.alone_since = None, time.monotonic()

    async def Act(self, request, context):
        await context.abort(grpc.StatusCode.UNIMPLEMENTED, "this scale only measures")

    async def Close(self, request, context):
        return pb.CloseResponse(last_number=await self.close())

    async def close(self):
        """End the run: the device first, then what the hub has not got."""
        run = self.run
        if run is None:
            return 0
        run.measuring.cancel()
        await asyncio.wait([run.measuring])
        run.closing = True
        run.tell()
        deadline = time.monotonic() + CLOSING
        while run.session and time.monotonic() < deadline:
            await asyncio.sleep(0.005)
        self.run = None
        return run.next - 1

    async def lease(self):
        """End when there was no session for the hold time."""
        while (self.run and self.run.session) or time.monotonic() - self.alone_since < self.hold:
            await asyncio.sleep(0.1)
        self.ended.set()


async def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--hold", type=int, default=600, help="seconds to live without a hub")
    driver = Driver(arguments.parse_args().hold)
    server = grpc.aio.server(options=[("grpc.max_receive_message_length", 1 << 20)])
    services.add_DriverServiceServicer_to_server(driver, server)
    # Health of the service "plugin", SERVING, without the package that has it.
    health = grpc.unary_unary_rpc_method_handler(lambda request, context: b"\x08\x01")
    server.add_generic_rpc_handlers([grpc.method_handlers_generic_handler("grpc.health.v1.Health", {"Check": health})])
    path = os.path.join(os.environ.get("PLUGIN_UNIX_SOCKET_DIR") or os.getcwd(), "driver.sock")
    server.add_insecure_port(f"unix:{path}")
    await server.start()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, driver.ended.set)
    print(f"1|1|unix|{path}|grpc", flush=True)
    lease = asyncio.create_task(driver.lease())
    await driver.ended.wait()
    lease.cancel()
    await driver.close()
    await server.stop(0.2)


asyncio.run(main())
