// npm oscquery: reads what the daemon says of itself over HTTP.
const {OSCQueryDiscovery} = require('oscquery');

const discovery = new OSCQueryDiscovery();
discovery.on('up', (service) => {
  console.log('host', 0, JSON.stringify(service.hostInfo));
  for (const {full_path, access, arguments: of} of service.flat()) console.log(full_path, access, JSON.stringify(of || []));
});
discovery.queryNewService('127.0.0.1', 9787).then(
  () => setTimeout(() => process.exit(0), 100),
  (error) => { console.log('failed', error.message); process.exit(1); },
);
