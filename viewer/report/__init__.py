"""The printed report: one self-contained HTML file per case (see ``page.render_report``)."""
