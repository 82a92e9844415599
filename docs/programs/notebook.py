# %% [markdown]
# A notebook: readings and layouts draw themselves, fields are a dict for any table.

# %%
import credkit

reader = credkit.chain("hex:8/right-justified:26/wiegand-26", takes="text", gives="fields")
reading = reader.inspect("02F764DC")
reading  # a cell that ends with a reading shows its steps as a drawing

# %%
for check in reading.checks:
    print("holds" if check.passed else "FAILS", check.claim, reading.trace(check))

# %%
drawing = reading._repr_svg_()  # what the notebook calls; elsewhere it is a text of SVG
assert drawing is not None
print(drawing[:4], "wiegand-26" in drawing)

# %%
rows = [dict(reader.decode(text)) for text in ("02F764DD", "00F60002")]
print(rows)
