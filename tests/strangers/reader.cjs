// node-homie at work for test_node_homie.py. Two uses, both told by lines of JSON on standard output:
//     node reader.cjs check            standard input: a JSON list of descriptions; out: what its schema says of each
//     node reader.cjs listen URL ROOT [CA CERT KEY]
//                                      what its discovery knows, whenever that changes, until standard input ends
'use strict';

// Its own log goes to standard error: standard output is ours.
console.log = console.error;
const fs = require('fs');
const { Validator } = require('jsonschema');
const mqtt = require('mqtt');
const { DeviceDescriptionSchema, DeviceDiscovery, HomieDeviceManager } = require('node-homie');

const tell = (what) => process.stdout.write(JSON.stringify(what) + '\n');

function check() {
    const chunks = [];
    process.stdin.on('data', (chunk) => chunks.push(chunk));
    process.stdin.on('end', () => {
        const validator = new Validator();
        for (const description of JSON.parse(Buffer.concat(chunks).toString('utf8'))) {
            const { errors } = validator.validate(description, DeviceDescriptionSchema, { nestedErrors: true });
            tell(errors.map(String));
        }
    });
}

function propertyOf(property) {
    const { name, datatype, unit, format, settable } = property.attributes;
    const value = property.valueAsType;
    return {
        name, datatype, unit, format, settable,
        value: property.value,
        typed: value instanceof Date ? value.toISOString() : value,
        valid: !property.value || property.validateValue(property.value),
    };
}

const mapped = (of, make) => Object.fromEntries(Object.entries(of).map(([id, item]) => [id, make(item)]));

function deviceOf(device) {
    return {
        state: device.state,
        name: device.attributes.name,
        alerts: Object.fromEntries(device.alerts),
        nodes: mapped(device.nodes, (node) => ({
            name: node.attributes.name, properties: mapped(node.properties, propertyOf),
        })),
    };
}

// node-homie hands on address, login and will alone to the library below it, which does take certificates.
function withCertificates(files) {
    const [ca, cert, key] = files.map((file) => fs.readFileSync(file));
    const plain = mqtt.connect;
    mqtt.connect = (url, options) => plain(url, { ...options, ca, cert, key });
}

async function listen(url, topicRoot, ...files) {
    if (files.length > 0) {
        withCertificates(files);
    }
    const devices = new HomieDeviceManager();
    const discovery = new DeviceDiscovery({ url, topicRoot, reconnectPeriod: 100 }, undefined, 0);
    discovery.events$.subscribe((event) => {
        if (event.type === 'add' && !devices.hasDevice(event.deviceId)) {
            devices.add(event.makeDevice()).onInit();
        } else if (event.type === 'remove') {
            devices.removeDevice(event.deviceId)?.onDestroy();
        }
    });
    let told = '';
    setInterval(() => {
        const known = mapped(devices.devices, deviceOf);
        const text = JSON.stringify(known);
        if (text !== told) {
            told = text;
            tell(known);
        }
    }, 50);
    process.stdin.on('end', () => process.exit(0)).resume();
    await discovery.onInit();
}

const [use, ...rest] = process.argv.slice(2);
if (use === 'check') {
    check();
} else {
    listen(...rest);
}
