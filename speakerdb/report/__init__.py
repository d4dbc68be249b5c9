"""The review sheet, the draft and the pictures: joins the library's answers with the charts."""
