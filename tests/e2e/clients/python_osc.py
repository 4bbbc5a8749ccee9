"""python-osc: python3 python_osc.py udp|slip|count"""

import sys

from part import Part
from pythonosc.osc_tcp_server import MODE_1_0, MODE_1_1
from pythonosc.tcp_client import SimpleTCPClient
from pythonosc.udp_client import SimpleUDPClient

way, at = sys.argv[1], ("127.0.0.1", 9787)
client = SimpleUDPClient(*at) if way == "udp" else SimpleTCPClient(*at, mode=MODE_1_1 if way == "slip" else MODE_1_0)
part = Part(f"python-osc {way}", client.send_message)
part.say("subscribe")
while not part.over:
    for message in client.get_messages(0.5):
        part.hear(message.address, message.params)
        if part.over:
            break
