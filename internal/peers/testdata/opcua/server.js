// An OPC UA server on loopback with a few nodes, for the tests of the driver opcua.
//
//   node server.js FOLDER PORT [USER PASSWORD]
//
// FOLDER takes its certificates; PORT 0 is any free one. It prints the port when it
// serves. With a user nobody else is let in. Each line of JSON on standard input sets a
// node: {"node": "Air.Temperature", "value": 21.4, "status": "Good", "time": "…"}, and
// is answered with "set". With "everyMs" it is set again and again by itself.
"use strict";
const path = require("path");
// Standard output has our own lines alone: the packages log to the other one.
const say = (text) => process.stdout.write(text + "\n");
console.log = console.warn = console.info = console.error;
const { OPCUAServer } = require("node-opcua-server");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");
const { nodesets } = require("node-opcua-nodesets");
const { Variant, DataType } = require("node-opcua-variant");
const { StatusCodes } = require("node-opcua-status-code");
const { SecurityPolicy, MessageSecurityMode } = require("node-opcua-secure-channel");

const [folder, port, user, password] = process.argv.slice(2);

const nodes = {
  "Air.Temperature": DataType.Double,
  "Air.Humidity": DataType.Float,
  "Air.Pressure": DataType.UInt16,
  "Door.Open": DataType.Boolean,
  "Scanner.Label": DataType.String,
  "Meter.Moisture": DataType.Double,
};
const initial = {
  [DataType.Double]: 20.5, [DataType.Float]: 48.25, [DataType.UInt16]: 955, [DataType.Boolean]: true, [DataType.String]: "EB0001",
};

async function main() {
  const manager = new OPCUACertificateManager({ rootFolder: path.join(folder, "pki"), automaticallyAcceptUnknownCertificate: true });
  await manager.initialize();
  const server = new OPCUAServer({
    port: Number(port),
    host: "127.0.0.1",
    hostname: "127.0.0.1",
    nodeset_filename: [nodesets.standard],
    serverCertificateManager: manager,
    userCertificateManager: manager,
    // Without another policy the packages take no user with a password.
    securityPolicies: [SecurityPolicy.None, SecurityPolicy.Basic256Sha256],
    securityModes: [MessageSecurityMode.None, MessageSecurityMode.SignAndEncrypt],
    allowAnonymous: !user,
    userManager: { isValidUser: (name, secret) => name === user && secret === password },
    serverInfo: { applicationUri: "urn:evenbench:test:climate", productUri: "urn:evenbench:test" },
    buildInfo: { productName: "Test climate server", manufacturerName: "Evenbench", softwareVersion: "7" },
  });
  await server.initialize();
  const space = server.engine.addressSpace;
  const own = space.registerNamespace("urn:evenbench:climate");
  const variables = {};
  for (const [name, dataType] of Object.entries(nodes)) {
    variables[name] = own.addVariable({
      organizedBy: space.rootFolder.objects, browseName: name, nodeId: "s=" + name, dataType, minimumSamplingInterval: 50,
    });
    variables[name].setValueFromSource(new Variant({ dataType, value: initial[dataType] }), StatusCodes.Good, new Date("2026-11-26T09:00:00Z"));
  }
  await server.start();
  say(String(server.endpoints[0].port));

  let rest = "";
  process.stdin.on("data", (chunk) => {
    const lines = (rest + chunk).split("\n");
    rest = lines.pop();
    for (const line of lines) {
      const { node, value, status, time, everyMs } = JSON.parse(line);
      const set = () => {
        const variant = value === undefined ? new Variant({ dataType: DataType.Null }) : new Variant({ dataType: nodes[node], value });
        variables[node].setValueFromSource(variant, StatusCodes[status || "Good"], time ? new Date(time) : new Date());
      };
      set();
      if (everyMs) setInterval(set, everyMs);
      say("set");
    }
  });
  process.stdin.on("end", () => process.exit(0));
}

main().catch((err) => {
  console.error(err);
  process.exit(1);
});
