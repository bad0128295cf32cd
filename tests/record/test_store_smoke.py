def test_a_record_is_begun_filled_closed_and_read_back(making):
    from preflight.record.folder import read
    folder = making.sealed()
    found = read(folder)
    assert [e.kind for e in found.entries] == ["open", "phase", "check", "sign", "hold", "lift", "close"]
    assert found.first_bad is None, found.why
    print((folder/"record.jsonl").read_text())
