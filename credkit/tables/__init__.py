"""The four tables most codecs are made from: notation, wiring, layout, select."""
