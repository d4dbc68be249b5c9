"""What users ask, one module a question: from the field and the store to an answer in numbers."""
