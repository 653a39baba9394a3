"""The bench page: a run at the comparator, shown and answered in a browser on the local network.

The thread of the run owns everything that happens: `desk` is the face that it is shown on, and the only
one that takes a post. The server (`app`, `stream`, `guard`, `pen`) hands posts in and hands snapshots out.
`sheet` and `chart` make of a snapshot what is shown, without knowing of a browser or a server.

What goes over the wire:

- `GET /` is `page.html`, made with `sheet` (`sheet_of(snapshot)`), `fragment` (the template of `<main>`:
  `choose.html`, `sheet.html` or `end.html`), `seq` (of the snapshot) and `pen` (a fresh token, the name
  that this page goes by). The script keeps the token in `sessionStorage`, so that a page that is loaded
  again is the same page.
- `GET /stream?pen=TOKEN` sends the events `sheet` (`{"seq", "html"}`: `<main>` whole), `live` (what the
  instrument shows now, see `stream.live_data`, with `now_s`, the run's counter), and `pen`
  (`{"mine": bool}`). It begins with all that there is. A page that connects while nobody is there who
  holds the pen gets it.
- `POST /do` with the header `X-Holdzero: bench`, the content type `application/json` and a body
  `{"pen": TOKEN, "seq": n, "what": …}`. It is answered with 200 `{"ok": true}` when the event is on disk; else with
  `{"ok": false, "why": words}`: 409 for a seq that is no longer shown or a page that has no pen, 422 for
  what is no answer or can't be done now (with `"soft": true` where a press came too soon and nothing has to be said).
- `GET /record/NAME.html` is the written report of a finished run.

An `accept` is a pedal or a bare key: it confirms, or takes the live value, and it never ends a run. The
last step (compare) wants `answer` with an empty text, from a button of its own.
"""
