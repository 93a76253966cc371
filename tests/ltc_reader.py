"""A reader of time code that nobody here wrote: libltc (Debian libltc11), through ctypes."""

import ctypes
import ctypes.util

import numpy as np
from needs import is_missing


class Heard(ctypes.Structure):
    """libltc's LTCFrameExt: the word's ten bytes, its first and last sample, and more."""

    _fields_ = (
        ("word", ctypes.c_ubyte * 10),
        ("off_start", ctypes.c_longlong),
        ("off_end", ctypes.c_longlong),
        ("reverse", ctypes.c_int),
        ("biphase_tics", ctypes.c_float * 80),
        ("sample_min", ctypes.c_ubyte),
        ("sample_max", ctypes.c_ubyte),
        ("volume", ctypes.c_double),
    )


def decoded(samples, samples_a_frame):
    """(word, first sample, last sample) of everything that libltc hears."""
    name = ctypes.util.find_library("ltc")
    if name is None:
        is_missing("libltc", "libltc11")
    library = ctypes.CDLL(name)
    library.ltc_decoder_create.restype = ctypes.c_void_p
    library.ltc_decoder_write_float.argtypes = (
        ctypes.c_void_p, ctypes.POINTER(ctypes.c_float), ctypes.c_size_t, ctypes.c_longlong
    )  # fmt: skip
    library.ltc_decoder_read.argtypes = (ctypes.c_void_p, ctypes.POINTER(Heard))
    library.ltc_decoder_free.argtypes = (ctypes.c_void_p,)
    decoder = library.ltc_decoder_create(round(samples_a_frame), 4096)
    found, frame = [], Heard()
    for first in range(0, len(samples), 512):
        part = np.ascontiguousarray(samples[first : first + 512], dtype=np.float32)
        pointer = part.ctypes.data_as(ctypes.POINTER(ctypes.c_float))
        library.ltc_decoder_write_float(decoder, pointer, len(part), first)
        while library.ltc_decoder_read(decoder, ctypes.byref(frame)):
            assert not frame.reverse
            found.append(
                (int.from_bytes(bytes(frame.word), "little"), frame.off_start, frame.off_end)
            )
    library.ltc_decoder_free(decoder)
    return found
