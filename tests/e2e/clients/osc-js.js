// npm osc-js over UDP, one socket both ways. It sends whole numbers as `i`, also where a float is meant.
const OSC = require('osc-js');
const {part} = require('./part.js');

const plugin = new OSC.DatagramPlugin({open: {host: '127.0.0.1', port: 19310}, send: {host: '127.0.0.1', port: 9787}});
const client = new OSC({plugin});
const send = (name, types, values) => client.send(new OSC.Message('/bench/' + name, ...values));
const hear = part('osc-js', send, () => process.exit(0));
client.on('*', ({address, args}) => hear(address, args));
client.on('open', () => send('subscribe', '', []));
client.open();
