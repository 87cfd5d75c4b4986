"""The life of an alarm after ISA-18.2 / IEC 62682, with time as an argument."""
