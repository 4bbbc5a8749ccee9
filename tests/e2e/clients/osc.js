// npm osc: node osc.js udp|tcp|websocket
const osc = require('osc');
const {part} = require('./part.js');

const way = process.argv[2], host = '127.0.0.1', port = 9787;
const ports = {
  udp: () => new osc.UDPPort({localAddress: host, localPort: 0, remoteAddress: host, remotePort: port, metadata: true}),
  tcp: () => new osc.TCPSocketPort({address: host, port, useSLIP: true, metadata: true}),
  websocket: () => new osc.WebSocketPort({url: `ws://${host}:${port}`, metadata: true}),
};
const client = ports[way]();
const send = (name, types, values) =>
  client.send({address: '/bench/' + name, args: values.map((value, n) => ({type: types[n], value}))});
const hear = part(`osc ${way}`, send, () => process.exit(0));
client.on('message', ({address, args}) => hear(address, args.map(({value}) => value)));
client.on('error', (error) => { console.log('failed', error.message); process.exit(1); });
client.on('ready', () => send('subscribe', '', []));
client.open(host, port);
