"""The colours and the flashing of lamps against published limits: what ``mastread leds`` does."""
