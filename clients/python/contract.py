"""The contract with the hub, as Python modules.

Generated afresh from the .proto files each time a program starts, so that there
is nothing to keep in step. Needs either the package grpcio-tools, or protoc with
grpc_python_plugin (Debian: python3-grpcio, protobuf-compiler, libprotobuf-dev,
protobuf-compiler-grpc).
"""

import atexit
import importlib
import pathlib
import shutil
import subprocess
import sys
import tempfile

# What record.proto needs has to be compiled as well.
FILES = [f"evenbench/v1/{name}.proto" for name in ("record", "cupping", "driver", "hub")]


def _proto():
    """The folder of the .proto files: proto, beside this file or above it."""
    for folder in pathlib.Path(__file__).resolve().parents:
        if (folder / "proto" / FILES[0]).is_file():
            return folder / "proto"
    sys.exit(f"contract: no proto/{FILES[0]} beside {__file__} or above it")


def _compiler():
    """The command that compiles .proto files to Python."""
    try:
        import grpc_tools  # noqa: F401

        return [sys.executable, "-m", "grpc_tools.protoc"]
    except ImportError:
        plugin = shutil.which("grpc_python_plugin")
        protoc = shutil.which("protoc")
        if not (plugin and protoc):
            sys.exit("contract: neither grpcio-tools nor protoc with grpc_python_plugin is installed")
        return [protoc, f"--plugin=protoc-gen-grpc_python={plugin}"]


def _generate():
    """Compile the contract into a folder that goes when the program ends."""
    folder = tempfile.mkdtemp(prefix="evenbench-python-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    subprocess.run(
        [*_compiler(), f"--proto_path={_proto()}", f"--python_out={folder}", f"--grpc_python_out={folder}", *FILES],
        check=True,
    )
    sys.path.insert(0, folder)


def module(name):
    """A generated module that few need, such as evenbench.v1.driver_pb2."""
    return importlib.import_module(name)


_generate()
record = importlib.import_module("evenbench.v1.record_pb2")
hub = importlib.import_module("evenbench.v1.hub_pb2")
services = importlib.import_module("evenbench.v1.hub_pb2_grpc")
