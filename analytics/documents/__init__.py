"""Documents made from kept bulletins and answers: PDF, HTML and XLSX. Nothing is estimated here."""
