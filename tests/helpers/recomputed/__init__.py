"""The numbers of a demonstration's documents, worked out again from its tables.

Nothing here imports `stimuli`, `analysis` or `abx`: the formulas are those of the page Methods of
the documentation and of the sources that it names, in numpy and scipy. What is read are
``trials.csv``, ``stages.csv``, ``programmes.csv`` and ``study.toml``. Of ``results.json`` only the
words are read, which say what a row is about; its numbers are thrown away before anybody looks.

`study` holds the tables, `pair_fit` the models of paired answers, `shares` the tests of shares,
`resampled` panels drawn anew, `steps` the stages as steps, `hearing`, `listeners`, `preference`,
`claims`, `link`, `chances` and `record` the values of the documents by the place where they stand.
"""
