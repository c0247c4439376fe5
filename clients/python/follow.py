#!/usr/bin/env python3
"""Print every reading of a lab as one JSON object a line, from the start on.

Goes on by itself when the hub restarts, without losing or repeating a reading.
With --position FILE it also goes on after this program was ended: what was
printed last before a crash may then be printed once more.
"""

import argparse
import json
import math
import os
import random
import sys
import time

import grpc

import connect
import contract

# What a broken connection ends with; anything else the hub would refuse again.
PASSING = {grpc.StatusCode.UNAVAILABLE, grpc.StatusCode.INTERNAL, grpc.StatusCode.UNKNOWN, grpc.StatusCode.CANCELLED}


def messages(stub, position, wait_for_more, kinds=()):
    """Yield the hub's messages after position, a dict that moves with them.

    A message counts as consumed when the next one is asked for.
    """
    failures = 0
    while True:
        try:
            if not position["record_id"]:
                position["record_id"] = stub.GetRecordInfo(contract.hub.GetRecordInfoRequest()).record_id
            request = contract.hub.SubscribeRequest(
                after=position["cursor"], record_id=position["record_id"], stop_at_end=not wait_for_more
            )
            request.filter.kinds.extend(kinds)
            for message in stub.Subscribe(request):
                yield message
                position["cursor"] = message.cursor
                failures = 0
            if not wait_for_more:
                return
        except grpc.RpcError as error:
            if error.code() not in PASSING:
                raise
        failures += 1
        pause = min(10, 0.2 * 2 ** min(failures, 6))
        time.sleep(random.uniform(pause / 2, pause))


def readings(entry):
    """Yield the readings of an entry, with their sample if they have one."""
    batch = entry.readings
    start = batch.start.ToMicroseconds()
    for series in batch.series:
        for i, row in enumerate(series.row):
            value = series.value[i] if series.value else math.nan
            yield {
                "time": utc(start + series.after_us[i]),
                "instrument": batch.instrument,
                "run": batch.run,
                "number": batch.first_number + row,
                "channel": series.channel,
                "value": None if math.isnan(value) else value,
                "unit": series.unit,
                "basis": series.basis,
                "device_text": said(series, i),
                "sample": next((b.sample for b in batch.bindings if b.first_row <= row <= b.last_row), ""),
            }


def said(series, i):
    """What the device said in row i, as text."""
    if not series.HasField("device_decimals"):
        return series.device_text[i] if series.device_text else ""
    number = (series.device_value or series.value)[i]
    return f"{number:.{series.device_decimals}f}" if math.isfinite(number) else ""


def utc(microseconds):
    seconds, rest = divmod(microseconds, 1_000_000)
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds)) + f".{rest:06d}Z"


def load(path):
    """The position in the file; the start of the record where there is none."""
    try:
        with open(path) as file:
            return json.load(file)
    except FileNotFoundError:
        return {"record_id": "", "cursor": 0}


def save(path, position):
    """Replace the file as a whole, so that a crash leaves the old or the new."""
    with open(path + ".next", "w") as file:
        json.dump(position, file)
        file.flush()
        os.fsync(file.fileno())
    os.replace(path + ".next", path)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hub", default=os.environ.get("EVENBENCH_HUB", "127.0.0.1:7413"))
    parser.add_argument("--position", help="file that keeps the position")
    parser.add_argument("--no-wait", action="store_true", help="end at the end of the record")
    options = parser.parse_args()

    position = load(options.position) if options.position else {"record_id": "", "cursor": 0}
    with connect.channel(options.hub) as channel:
        stub = contract.services.RecordServiceStub(channel)
        for message in messages(stub, position, not options.no_wait, kinds=["readings"]):
            for entry in message.entries:
                for reading in readings(entry):
                    print(json.dumps(reading))
            sys.stdout.flush()
            if options.position:
                save(options.position, {"record_id": position["record_id"], "cursor": message.cursor})


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        pass
    except grpc.RpcError as error:
        sys.exit(f"follow: {error.details()}")
