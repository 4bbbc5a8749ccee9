"""Patterns, addresses, and whether they match, for the tests of patterns."""

# Worked out by hand from the matching rules of the OSC 1.0 specification (M. Wright, version 1.0, 26 March 2002).
MATCHES = [
    ("/string/*/cents", "/string/1/cents", True),
    ("/string/*", "/string/1/cents", False),
    ("/string/?/cents", "/string/12/cents", False),
    ("/string/[1-3]/cents", "/string/3/cents", True),
    ("/string/[1-3]/cents", "/string/4/cents", False),
    ("/string/[!1-3]/cents", "/string/4/cents", True),
    ("/string/[!1-3]/cents", "/string/2/cents", False),
    ("/string/[135]/cents", "/string/3/cents", True),
    ("/{state,stop}", "/stop", True),
    ("/*c*e*", "/abcde", True),
    ("/**b", "/aab", True),
    ("/?/b/*c", "/a/b/xyc", True),
    ("/{state,stop}", "/start", False),
    ("/st{ate,op}", "/state", True),
    ("/{,pre}fix", "/fix", True),
    ("/a[-]b", "/a-b", True),
    ("/a[x-]b", "/a-b", True),
    ("/a[a!]b", "/a!b", True),
    ("/a*", "/a", True),
    ("/*", "/a/b", False),
    ("/a.b", "/axb", False),
    ("/a+b", "/aab", False),
    ("/a/", "/a", False),
    ("/A", "/a", False),
]
