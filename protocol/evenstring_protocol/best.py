# The quickest framing that this runtime has: viper where there is viper, otherwise the plain twins. Same names.
# A MicroPython without viper refuses the decorator with a SyntaxError; on a computer there is no `micropython`, or a
# stand-in that has no viper.

from evenstring_protocol.framing import CRC_SIZE, decode, encoded_size

try:
    from evenstring_protocol.framing_fast import crc_ok, encode, put_crc

    VIPER = True
except (ImportError, SyntaxError, AttributeError):
    from evenstring_protocol.framing import crc_ok, encode, put_crc

    VIPER = False

__all__ = ["CRC_SIZE", "VIPER", "crc_ok", "decode", "encode", "encoded_size", "put_crc"]
