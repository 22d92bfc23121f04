"""Files that are written: pages, JSON and CSV.

In: results and figures; nothing is computed here.
Out: report.html (`html`), results.json (`results_json`), CSV (`csv_files`), pages of several
sessions, comparisons and plans. `read_results` reads an earlier results.json back.
May import: everything from `logger` to `plots`.
"""
