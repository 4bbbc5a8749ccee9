"""pyliblo3, which is liblo: python3 pyliblo.py udp|tcp"""

import sys

import pyliblo3 as liblo
from part import Part

protocol = liblo.UDP if sys.argv[1] == "udp" else liblo.TCP
server = liblo.Server(19312, protocol)
daemon = liblo.Address("127.0.0.1", 9787, protocol)
part = Part(f"pyliblo3 {sys.argv[1]}", lambda address, values: server.send(daemon, address, *values))
server.add_method(None, None, lambda address, values: part.hear(address, values))
part.say("subscribe")
while not part.over:
    server.recv(100)
