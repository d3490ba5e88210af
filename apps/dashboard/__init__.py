"""The dashboard: a Dash application over passim, served on this machine alone unless told otherwise.

address       what is chosen, as the query of the page's address
state         the workspace, the clock, and what has been computed, kept by key within a bound of bytes
tasks/        what worker processes run, one file a subject
page_model    what a page is and answers, as plain records
controls      what there is to choose from
notes         what every page says of ages, assumptions and zones; no single times where elements are too old
parts         the pieces that pages are made of: sentence, picture, table, help
shell         navigation, choices and the place of the page
upload        the place where files are handed in, and their reading by a worker
answer_cache  whole answers kept ready: the same question of the same minute is answered once
faults        what is said where a request raises
security      who may ask: hosts, origins, passwords; what a page may load
factory       the application, put together
connections   the server's bounds: deadlines, connections of an address, whose turn it is for a thread
serving       the server, the browser, the address on the local network
pages/        one file or folder a page

All arithmetic stays in passim; pages ask the state and call pure functions of `passim_apps.figures`.

To add a page:

1. Write the picture as a pure function in ``apps/figures/<subject>.py``: what passim returned and a `Theme` in, a
   plotly figure out. Let `apply_theme` of ``figures/theme.py`` give it its looks. Test it in tests/test_figures.py.
2. Write ``apps/dashboard/pages/<page>.py`` with one constant ``PAGE = Page(...)``: its path and name; `panels`, the
   pictures and tables it always has, each with its help; `controls`, choices of its own, which go into the address
   beside site, day, mask and fleet; and `answer`, a function from a `PageRequest` to an `Answer`: the sentence, what
   each panel shows, and the notes of the last line. A `PageRequest` gives the site, fleet, clock, the span of the day
   chosen, and `seen(span)`: visibility, causes and coverage. Where that takes long it raises `Pending`; let it
   pass: the shell shows progress and asks again. An InputError becomes one line on the page, and the page stays.
3. Put the module into `PAGES` of ``pages/__init__.py``, in the order of the navigation.
   Lists are the browser's own (not a ``dcc.Dropdown``: its focus target is hidden from screen readers);
   assets/passim.js draws them and the tables, and puts what is picked into the address.
4. Components of the page's own (an upload, an editor) come from its functions `extra`, beside the first picture, and
   `below`, after it; their callbacks go into a function ``register(app, state)`` named in PAGE.

Tables get their CSV link by themselves, and tests/test_browser_pages.py tries every page of `PAGES` it finds.
"""
