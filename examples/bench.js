// Shows prompts and a meter in a terminal, and sends typed commands. Needs Node and its package osc:
//
//   npm install osc
//   node bench.js [host [port]]
//
// A typed line is a command and its arguments, for instance: session/begin six-string-648 "first set-up"
const osc = require('osc');
const readline = require('readline');

const [host = '127.0.0.1', port = '9787'] = process.argv.slice(2);
const bench = new osc.UDPPort({localAddress: '0.0.0.0', localPort: 0, remoteAddress: host, remotePort: Number(port)});

function send(name, ...values) {
  const args = values.map((value) => {
    if (typeof value === 'string') return {type: 's', value};
    return {type: Number.isInteger(value) ? 'i' : 'f', value};
  });
  bench.send({address: '/bench/' + name, args});
}

bench.on('message', ({address, args}) => {
  const name = address.replace('/bench/', '');
  const meter = name.match(/^string\/(\d+)\/cents$/);
  if (name === 'prompt/text') console.log(`> ${args[0]}`);
  else if (name === 'prompt/caution' && args[0]) console.log(`! ${args[0]}`);
  else if (meter) console.log(`string ${meter[1]} ${args[0].toFixed(1)} cents`);
  else if (['reading', 'event', 'reply', 'error'].includes(name)) console.log(`${name}:`, ...args);
});

bench.on('ready', () => {
  send('subscribe');
  send('status');
  setInterval(() => send('ping'), 50000).unref(); // a subscription lasts two minutes; anything sent renews it
  readline.createInterface({input: process.stdin}).on('line', (line) => {
    const words = line.match(/"[^"]*"|\S+/g) || [];
    const values = words.map((word) => (/^[-+]?\d+(\.\d+)?$/.test(word) ? Number(word) : word.replace(/"/g, '')));
    if (values.length) send(...values);
  }).on('close', () => { send('unsubscribe'); setTimeout(() => bench.close(), 100); });
});

bench.on('error', (error) => console.error(error.message));
bench.open();
