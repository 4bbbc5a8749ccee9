// What every client here does: subscribe, ask how the daemon is, begin a session, have it inspected, pluck, hear the
// reading, and leave. Takes how this client sends; gives what is to be called with each message, values bare.
//
// send(name, types, values): a message below the root; types as in OSC.
// done(): called when the session is closed again and nothing more comes.
exports.part = (label, send, done) => {
  let heard = false;
  return (address, values) => {
    const name = address.replace('/bench/', '');
    if (!['reply', 'error', 'phase', 'reading', 'string/2/cents'].includes(name)) return;
    console.log(name, ...values.map((value) => (typeof value === 'bigint' ? String(value) : value)));
    if (name === 'reply' && values[0] === '/bench/subscribe') send('status', '', []);
    if (name === 'reply' && values[0] === '/bench/status') send('session/begin', 'ss', ['two-strings', label]);
    if (name === 'phase' && values[0] === 'inspecting') send('session/inspect', 'ss', ['all', 'passed']);
    if (name === 'phase' && values[0] === 'tuning') {
      send('simulator/pluck', 'isf', [2, 'open', 1]);
      send('simulator/wait', 'f', [4]);
    }
    if (name === 'reading') {
      heard = true;
      send('session/abandon', '', []);
    }
    if (name === 'phase' && values[0] === 'closed' && heard) send('unsubscribe', '', []);
    if (values[0] === '/bench/unsubscribe') done(); // refused where a client listens in another way
  };
};
