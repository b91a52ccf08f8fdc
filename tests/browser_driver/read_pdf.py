"""Reads a PDF with pypdf: python3 read_pdf.py FILE.pdf. Prints width, height (points) and text (ligatures undone) of each page."""

import json
import sys
import unicodedata

import pypdf

pages = pypdf.PdfReader(sys.argv[1]).pages
print(json.dumps([{"width": float(page.mediabox.width), "height": float(page.mediabox.height), "text": unicodedata.normalize("NFKC", page.extract_text())}
                  for page in pages]))
