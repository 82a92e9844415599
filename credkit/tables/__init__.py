"""The five tables most codecs are made from: notation, wiring, layout, content, select."""
