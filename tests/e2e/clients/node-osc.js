// npm node-osc over UDP: what sends and what listens are two sockets, so the port to answer to is named.
const {Client, Server} = require('node-osc');
const {part} = require('./part.js');

const listen = 19311;
const client = new Client('127.0.0.1', 9787);
const server = new Server(listen, '127.0.0.1', () => send('subscribe', 'i', [listen]));
const send = (name, types, values) => client.send('/bench/' + name, ...values);
const hear = part('node-osc', send, () => process.exit(0));
server.on('message', ([address, ...values]) => hear(address, values));
