// npm osc-js: node osc-js.js udp|websocket. It sends whole numbers as `i`, also where a float is meant.
const OSC = require('osc-js');
const {part} = require('./part.js');

const way = process.argv[2], daemon = {host: '127.0.0.1', port: 9787};
const plugins = {
  udp: () => new OSC.DatagramPlugin({open: {host: '127.0.0.1', port: 19310}, send: daemon}), // one socket both ways
  websocket: () => new OSC.WebsocketClientPlugin(daemon),
};
const client = new OSC({plugin: plugins[way]()});
const send = (name, types, values) => client.send(new OSC.Message('/bench/' + name, ...values));
const hear = part(`osc-js ${way}`, send, () => process.exit(0));
client.on('*', ({address, args}) => hear(address, args));
client.on('open', () => send('subscribe', '', []));
client.open();
