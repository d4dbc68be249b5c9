-- Version 6: nothing below 2/T counts that came through a time gate of length T. What files of before hold of gated sessions is out of date:
-- they are withheld until `derive` has read their source files anew ('read anew' is no error model).
UPDATE session SET error_model = 'read anew' WHERE method = 'gated' OR info->>'gate_ms' IS NOT NULL;
