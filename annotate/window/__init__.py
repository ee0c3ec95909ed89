"""The marking window: where a film's landmarks are placed, corrected and kept.

Without Qt, and tested without a screen:

- `marks`: what a hand placed, took away or could not see, with undo and redo;
- `form`: what is typed about patient, tube and film;
- `marking`: one film with its marks and form, and the Reading that follows from them;
- `drafts`: unsaved work on the disk, so that a crash loses at most the last drag;
- `shelf`, `session`: films at hand; the list of films, the one that is open, what is unsaved;
- `purpose`: what the window is opened for, a reading, a second reading, or something of your own;
- `overlay`, `asked`, `words`, `keys`: what is drawn, asked, said and pressed;
- `camera`, `grey`: where on the screen a place lies; film values as grey.

With Qt: `view` (what shows a film) as `film_view` or `napari_view`, both painting marks with `paint`; `magnifier`,
`panel`, `length_ask`, `strip`, `help_sheet`; `desk` with its parts `points`, `looks`, `sharing`, `beside`, which
see it as a `stage.Stage`; `application`, `main_window`; `plugin` and `napari.yaml` offer the same to people who
live in napari.

Another purpose
---------------
A lesson, an exam, another form of reading: derive from `purpose.Purpose` and give it to `session.Session`. Nothing
else changes.

- `proposes` False: nothing is looked for, no proposal is drawn; with `turns` True it is told how a film lies.
- `tells(marking)` False: no Reading, ruler or accepted zone, for as long as it says so.
- `save(marking)` is called with the placed landmarks (`marking.landmarks`) by the save key and button; it answers
  with the words for the status line, or raises `purpose.NotSavedError` with a reason that the panel shows.
- `compared(marking)` gives landmarks to draw beside the own ones, for instance the truth, once it may be seen.
- `locked(marking)` True: the marks stay as they are.
- `refreshed()` is called when the window shows something new.
- `widget(desk)` gives a Qt widget for the top of the panel, or None: a question, an answer, a word to learn from.
  The `purpose.Host` that it gets has `refresh()` to call when `tells` or `compared` answer otherwise,
  `turn_to(number)` to open another film, and `marking`.
"""
