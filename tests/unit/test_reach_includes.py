"""Which headers a file asks for that may lie outside the tree."""

from __future__ import annotations

import pytest

from gatekeep.runner.reach_includes import list_outside_includes, list_suffixes


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (b'#include "uart.h"\n', [b"uart.h"]),
        (b"int x;\n  #  include <zebra/uart.h> // why\n", [b"zebra/uart.h"]),
        (b"%:include <zebra.h>\n", [b"zebra.h"]),
        (b"#include_next <zebra.h>\n", [b"zebra.h"]),
        (b"#import <zebra.h>\n", [b"zebra.h"]),
        (b'#include "../../drivers/./uart.h"\n', [b"drivers/uart.h"]),
        (b'#include "drivers/x/../uart.h"\n', [b"drivers/uart.h"]),
        # Those of a C library ask for names that are known. Source: ISO C11 7.1.2.
        (b"#include <stdint.h>\n#include <sys/types.h>\n", []),
        (b"#include <vector>\n", [b"vector"]),
        # GCC manual, "Computed Includes".
        (b"#include BOARD_HEADER\n", [b""]),
        (b"#include HEADER(uart)\r\n", [b""]),
        (b"# include the board's own rules\n", []),
        (b"# import os, then this\n", []),
        # GCC manual, "Preprocessor Options".
        (b"CFLAGS += -include $(KIT)/kit.h -imacros zebra.h\n", [b"kit.h", b"zebra.h"]),
        (b"-include $(BOARD).mk\n", []),
        (b"-include ,-imacros kit.h\n", [b"kit.h"]),
        (b"-Wp,-include,kit.h,-imacros,zebra.hpp -O2\n", [b"kit.h,-imacros,zebra.hpp"]),
        (b"-include kit.h,-include zebra.h\n", [b"kit.h", b"zebra.h"]),
        # Four megabytes from somebody who means harm: read in a moment, not in hours.
        (b"-include=" * 460_000, []),
        (b"x" * 5 + b"\0#include <zebra.h>", []),
        (b"\xff\n#include <k\xc3\xbcste.h>\n", ["küste.h".encode()]),
    ],
)
def test_what_a_file_includes(text: bytes, wanted: list[bytes]) -> None:
    assert list(list_outside_includes(text)) == wanted


def test_which_includes_the_files_of_the_tree_satisfy() -> None:
    assert list_suffixes(["drivers/x/uart.h", "uart.c"]) == {b"drivers/x/uart.h", b"x/uart.h", b"uart.h", b"uart.c"}
