// npm ws: text frames of the query protocol say what to listen to, binary frames are OSC both ways.
const WebSocket = require('ws');
const osc = require('osc');
const {part} = require('./part.js');

const socket = new WebSocket('ws://127.0.0.1:9787');
const send = (name, types, values) => {
  const args = values.map((value, n) => ({type: types[n], value}));
  socket.send(osc.writePacket({address: '/bench/' + name, args}, {metadata: true}));
};
const ask = (command, path) => socket.send(JSON.stringify({COMMAND: command, DATA: '/bench/' + path}));
const hear = part('ws', send, () => process.exit(0));
socket.on('message', (data, binary) => {
  if (!binary) return console.log('text', data.toString());
  const {address, args} = osc.readPacket(data, {metadata: true});
  hear(address, (args || []).map(({value}) => value));
});
socket.on('error', (error) => { console.log('failed', error.message); process.exit(1); });
socket.on('open', () => {
  for (const path of ['phase', 'reading']) ask('LISTEN', path);
  send('status', '', []);
});
