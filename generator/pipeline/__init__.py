"""The stages in order: chart -> timeline -> band -> MIDI and sound; the map off the timeline.

`render.render_track` is the door, `options.RenderOptions` says what may be asked of it;
`prepare.prepare` goes as far as the notes.
"""
