#!/usr/bin/env python3
"""Register a sample and, if a drum is given, put it in its queue.

Each write carries a request id: repeating the call after a broken connection
writes nothing twice.
"""

import argparse
import getpass
import os
import sys
import time
import uuid

import grpc

import connect
import contract


def write(call, request, tries=5):
    """Call until the hub answers. The request keeps its id, so that it counts once."""
    request.request_id = uuid.uuid4().hex
    for left in reversed(range(tries)):
        try:
            return call(request, timeout=10)
        except grpc.RpcError as error:
            if error.code() != grpc.StatusCode.UNAVAILABLE or left == 0:
                raise
            time.sleep(0.5)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hub", default=os.environ.get("EVENBENCH_HUB", "127.0.0.1:7413"))
    parser.add_argument("--person", default=getpass.getuser())
    parser.add_argument("--code", default="", help="lab code; without it the hub gives the next free one")
    parser.add_argument(
        "--kind", default="offer", choices=["offer", "pre_shipment", "arrival", "stocklot", "reference"]
    )
    parser.add_argument("--lot", required=True)
    parser.add_argument("--process", default="")
    parser.add_argument("--drum", help="drum to queue the sample for")
    options = parser.parse_args()

    with connect.channel(options.hub) as channel:
        bench = contract.services.BenchServiceStub(channel)
        identity = contract.record.SampleIdentity(
            kind="SAMPLE_KIND_" + options.kind.upper(), lot=options.lot, process=options.process
        )
        registered = write(
            bench.RegisterSample,
            contract.hub.RegisterSampleRequest(person=options.person, sample=options.code, identity=identity),
        )
        print(f"{registered.sample} is registered")
        if options.drum:
            queued = write(
                bench.QueueSample,
                contract.hub.QueueSampleRequest(person=options.person, station=options.drum, sample=registered.sample),
            )
            print(f"{registered.sample} waits for {options.drum}, position {queued.position}")


if __name__ == "__main__":
    try:
        main()
    except grpc.RpcError as error:
        sys.exit(f"register: {error.details()}")
