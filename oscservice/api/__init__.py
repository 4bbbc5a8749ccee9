"""This product on the wire: its addresses, the values it sends, and the pages that describe them."""
