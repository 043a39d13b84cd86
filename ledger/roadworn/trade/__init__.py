"""Published rules and standards of the trade, as decoders and limits.

Decoding works on what a person typed or pasted; nothing here talks to a vehicle. Import the
module that is needed: ``roadworn.trade.vin``, ``codes``, ``status_byte``, ``readiness``,
``j1939``, ``emission_rule``, ``warranty``, ``money``, ``scan_text``, ``limits``.
"""
